"""The controls of the tuning notebook, moved by code as they are by hand."""

import asyncio
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from tests.helpers.places import DATA
from tests.material.benches import demo_bench, demo_rig
from thumbline.dsp.notebook.panel import ALL, TuningPanel
from thumbline.dsp.notebook.styles import AS_IN_THE_RIG, STYLES
from thumbline.dsp.notebook.workbench import Workbench
from thumbline.dsp.rig.file import load_rig
from thumbline.dsp.rig.model import Rig


@pytest.fixture
def panel() -> TuningPanel:
    return TuningPanel(demo_bench(), 7.05)


def test_as_it_is_made_it_shows_the_rig_as_it_was_loaded(panel: TuningPanel) -> None:
    assert panel.rig == demo_bench().rig
    assert panel.picture is not None
    assert panel.explanation == demo_bench().explain(demo_bench().rig, 7.05)
    assert Path(panel.path.value) == DATA / "demo-tuned.toml"


def test_a_slider_moves_the_rig_the_picture_and_the_reasons(panel: TuningPanel) -> None:
    before, reasons = panel.picture, panel.explanation
    panel.on.value = 30.0
    assert panel.rig == demo_rig(on_db=30.0)
    assert panel.picture is not None
    assert panel.picture != before
    assert "at 1 place" in panel.picture.alt
    assert panel.explanation != reasons
    panel.off.value = -6.0
    assert panel.rig == demo_rig(on_db=30.0, off_db=-6.0)


def test_a_way_of_playing_moves_the_sliders_to_where_it_may_begin_and_back(panel: TuningPanel) -> None:
    loaded = panel.rig
    for style, (strictness, proof, settle, shortest) in STYLES.items():
        panel.style.value = style
        choice = panel.rig.choice
        assert (choice.proof_ms, choice.settle_ms, choice.shortest_ms) == (proof, settle, shortest)
        assert panel.rig.detect.strictness == pytest.approx(strictness, abs=0.01)
        assert panel.rig.detect.on_db == loaded.detect.on_db
    panel.style.value = AS_IN_THE_RIG
    assert panel.rig == loaded


def test_one_string_moves_alone_and_its_slider_shows_where_it_is(panel: TuningPanel) -> None:
    panel.on.value = 3.0
    panel.string.value = 5
    assert panel.on.value == 3.0
    panel.on.value = -2.0
    loaded = demo_bench().rig.detect.on_db
    assert panel.rig.detect.on_db == tuple(
        round(float(db) + (-2.0 if string == 5 else 3.0), 2) for string, db in enumerate(loaded, 1)
    )
    panel.string.value = 2
    assert panel.on.value == 3.0


def test_a_place_puts_the_moment_there(panel: TuningPanel) -> None:
    panel.on.value = 30.0
    words, number = panel.place.options[1]
    assert words.startswith("13.52 s, wrong: string 1 is the bass, nobody has it")
    panel.place.value = number
    assert panel.moment.value == pytest.approx(13.75, abs=0.25)
    assert panel.explanation is not None
    assert panel.explanation.bass == 0


def test_a_missed_note_is_listed_with_its_reason_and_the_next_one_follows(panel: TuningPanel) -> None:
    panel.on.value = 30.0
    missed = [(words, number) for words, number in panel.place.options if "missed: " in words]
    assert panel.decisions is not None
    assert len(missed) == len(panel.decisions.missed) > 1
    panel.place.value = missed[0][1]
    assert "missed: its loudest was -" in panel.why.value
    assert "of detect.on_db" in panel.why.value
    panel.next.click()
    assert panel.place.value == missed[1][1]
    panel.previous.click()
    assert panel.place.value == missed[0][1]


def test_strictness_proof_and_hold_move_the_rig_and_go_back(panel: TuningPanel) -> None:
    panel.move(strictness=0.5, proof=20.0, hold=100.0)
    assert panel.rig.detect.strictness == 0.5
    assert (panel.rig.choice.proof_ms, panel.rig.choice.shortest_ms) == (20.0, 100.0)
    panel.back.click()
    assert panel.rig == demo_bench().rig


def test_a_drag_in_a_notebook_is_answered_where_it_rests_and_not_on_the_way(
    panel: TuningPanel, monkeypatch: pytest.MonkeyPatch
) -> None:
    looked: list[float] = []
    look = panel.bench.look
    monkeypatch.setattr(
        panel.bench, "look", lambda rig, moment_s: looked.append(moment_s) or look(rig, moment_s), raising=True
    )

    async def drag() -> float:
        for step in range(20):
            panel.moment.set_state({"value": 7.0 + 0.05 * step})  # as a page does
            await asyncio.sleep(0.005)
        released_s = time.monotonic()
        while not looked or looked[-1] != panel.moment.value:
            await asyncio.sleep(0.005)
        return time.monotonic() - released_s

    assert asyncio.run(drag()) < 5.0  # a busy machine; what is promised is measured by itself
    assert len(looked) <= 3


def test_a_zoomed_picture_shows_the_part_around_the_moment(panel: TuningPanel) -> None:
    whole = panel.picture
    panel.zoom.value = 1.0
    assert panel.picture is not None
    assert panel.picture != whole
    zoomed = panel.picture
    panel.moment.value = 9.0
    assert panel.picture != zoomed


def test_back_undoes_every_move(panel: TuningPanel) -> None:
    panel.move(3, on=5.0, off=-5.0, settle=10.0)
    assert panel.rig != demo_bench().rig
    panel.string.value = ALL
    panel.back.click()
    assert panel.rig == demo_bench().rig
    assert (panel.on.value, panel.off.value, panel.settle.value) == (0.0, 0.0, 0.0)


def test_the_rig_is_saved_with_its_comments_and_the_panel_says_so(panel: TuningPanel, tmp_path: Path) -> None:
    panel.path.value = str(tmp_path / "new.toml")
    panel.move(on=4.0)
    panel.save.click()
    assert load_rig(tmp_path / "new.toml") == demo_rig(on_db=4.0)
    assert "detect.on_db changed, all else as it was" in panel.said.value
    old = (DATA / "demo.toml").read_text("utf-8").splitlines()
    new = (tmp_path / "new.toml").read_text("utf-8").splitlines()
    assert [line for line in old if line not in new] == [line for line in old if line.startswith("on_db")]


@pytest.mark.parametrize("path", ["", "/nowhere/at/all.toml", "."])
def test_a_file_that_cannot_be_written_is_said_in_one_line(
    panel: TuningPanel, path: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    panel.path.value = path
    panel.save.click()
    assert "accepted" in panel.said.value
    assert "\n" not in panel.said.value
    assert list(tmp_path.iterdir()) == []


def test_sound_is_made_when_it_is_asked_for_and_as_it_is_tuned(panel: TuningPanel) -> None:
    assert panel.players is None
    panel.listen.click()
    first = panel.players
    panel.move(on=36.0)
    assert panel.players is first
    panel.listen.click()
    assert panel.players is not None
    assert panel.players != first


def test_what_is_shown_has_words_where_no_widget_can_be(
    panel: TuningPanel, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    shown: list[object] = []
    record: Callable[..., None] = lambda *objects, **_: shown.extend(objects)  # noqa: E731
    monkeypatch.setattr("thumbline.dsp.notebook.panel.display", record)
    panel.move(2, on=5.0)
    panel.show()
    bundle = shown[0]
    assert isinstance(bundle, dict)
    assert bundle["text/plain"] == ("Controls (they move in JupyterLab): on +5 dB on string 2; wait 0 ms; 7.050 s")
    assert "application/vnd.jupyter.widget-view+json" in bundle


def test_a_move_that_no_rig_accepts_is_said_and_what_was_shown_stays() -> None:
    data = demo_bench().rig.model_dump()
    data["detect"] |= {"on_db": [-50.004] * 6, "off_db": [-50.006] * 6}  # rounded to one value, 1 dB further down
    close = TuningPanel(Workbench("close", np.zeros((4800, 6)), 48_000, Rig.model_validate(data)))
    before = close.picture
    close.move(on=-1.0)
    assert "adjusted rig: detect.o" in close.said.value
    assert close.picture is before
