"""A take on the bench: what is decided is what `render` decides, and nothing is worked out twice."""

import shutil
from pathlib import Path

import numpy as np
import pytest
import soundfile

from tests.helpers.places import DATA
from tests.material.benches import demo_bench, demo_rig
from thumbline.dsp.errors import InputError
from thumbline.dsp.memory.records import BASS, LEFT
from thumbline.dsp.notebook import workbench
from thumbline.dsp.notebook.workbench import Workbench, open_workbench
from thumbline.dsp.processor.processor import Processor
from thumbline.dsp.processor.transcript import Transcript
from thumbline.dsp.scoring.score import score


def test_decisions_are_those_of_the_processor_that_renders() -> None:
    bench, rig = demo_bench(), demo_rig(on_db=-33.0)
    processor, transcript = Processor(rig, bench.rate), Transcript(rig, bench.rate)
    for events in (processor.process(bench.frames)[1], processor.finish()):
        transcript.feed(events)
    found = bench.decisions(rig)
    assert list(found.handovers) == transcript.handovers
    assert list(found.bassline) == transcript.bassline(bench.seconds)


def test_the_share_of_right_decisions_and_the_mistakes_are_those_of_the_score() -> None:
    bench, rig = demo_bench(), demo_rig(on_db=30.0)
    found = bench.decisions(rig)
    true = bench.reference.bass
    scored = score(true, found.bassline, strings=6)
    assert found.mistakes == scored.mistakes
    asked = true.asked & (true.string > 0)
    assert found.right == scored.path_right == pytest.approx((scored.found_string == true.string)[asked].mean())
    assert (found.right or 0.0) < 0.99
    whole = score(true, found.bassline, found.notes, strings=6)
    assert (found.missed, found.false) == (whole.notes_missed, whole.notes_false)
    assert found.missed


def test_a_look_gives_the_same_as_decisions_and_reasons_asked_for_alone() -> None:
    bench, rig = demo_bench(), demo_rig(on_db=-31.5)
    decisions, explanation = bench.look(rig, 8.2)
    assert explanation == bench.explain(rig, 8.2)
    assert bench.look(rig, 8.2)[0] is decisions
    fresh = Workbench("again", bench.frames, bench.rate, bench.rig, truth=bench.known_notes)
    assert fresh.decisions(rig).bassline == decisions.bassline


def test_only_what_depends_on_a_change_is_worked_out_anew(monkeypatch: pytest.MonkeyPatch) -> None:
    bench = Workbench("part", demo_bench().frames[:48_000], 48_000, demo_bench().rig)
    asked: list[str] = []

    class Counted(Processor):
        def process(self, frames: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
            asked.append("sound")
            return super().process(frames)

        def decide(self, frames: np.ndarray) -> np.ndarray:
            asked.append("decisions")
            return super().decide(frames)

    monkeypatch.setattr(workbench, "Processor", Counted)
    levels, sound = bench.levels(), bench.sound()
    moved = demo_rig(on_db=4.0)
    bench.decisions(moved)
    assert asked == ["sound", "decisions", "decisions"]  # the take in two parts
    asked.clear()
    assert bench.levels(moved) is levels
    assert bench.sound() is sound
    bench.decisions(moved)
    assert asked == []
    bench.sound(moved)
    assert asked == ["sound"]


def test_sound_is_what_the_processor_renders() -> None:
    bench = demo_bench()
    out, _ = Processor(bench.rig, bench.rate).process(bench.frames)
    np.testing.assert_array_equal(bench.sound().bass, out[:, BASS])
    np.testing.assert_array_equal(bench.sound().guitar, out[:, LEFT])
    stereo = bench.rig.model_copy(update={"guitar": bench.rig.guitar.model_copy(update={"stereo": True})})
    assert bench.sound(stereo).guitar.shape == (len(bench.frames), 2)


def test_several_rigs_at_once_are_decided_as_one_by_one() -> None:
    bench = demo_bench()
    rigs = [demo_rig(on_db=db) for db in (-32.0, 0.0, 31.0)]
    assert [each.bassline for each in bench.decisions_of(rigs)] == [bench.decisions(rig).bassline for rig in rigs]


def test_without_truth_decisions_are_compared_with_those_of_the_rig_as_loaded() -> None:
    demo = demo_bench()
    bench = Workbench("untold", demo.frames, demo.rate, demo.rig)
    assert bench.reference.kind == "rig"
    assert bench.decisions().right == 1.0
    assert (bench.decisions(demo_rig(on_db=34.0)).right or 0.0) < 0.9
    assert {note.onset_s for note in bench.known_notes} == {note.onset_s for note in bench.decisions().notes}


def test_silence_asks_nothing() -> None:
    bench = Workbench("silence", np.zeros((24_000, 6)), 48_000, demo_bench().rig)
    assert bench.decisions().bassline == ()
    assert bench.decisions().right in (None, 1.0)
    assert bench.explain(bench.rig, 0.3).bass == 0


def test_the_rig_and_the_truth_beside_a_take_are_found() -> None:
    bench = demo_bench()
    assert bench.rig_path == DATA / "demo.toml"
    assert (bench.reference.kind, bench.reference.name) == ("truth", "demo.json")
    assert bench.decisions().right == 1.0


def test_a_stretch_of_a_take_is_that_stretch_of_sound_and_truth() -> None:
    bench = open_workbench(DATA / "demo.flac", start_s=6.0, seconds=3.0)
    np.testing.assert_array_equal(bench.frames, demo_bench().frames[288_000:432_000])
    whole = [n for n in demo_bench().known_notes if n.offset_s > 6.0 and n.onset_s < 9.0]
    assert [n.string for n in bench.known_notes] == [n.string for n in whole]
    assert all(0.0 <= n.onset_s <= n.offset_s <= 3.0 for n in bench.known_notes)
    assert bench.known_notes[-1].onset_s == pytest.approx(whole[-1].onset_s - 6.0)


def test_a_take_without_a_rig_is_measured_and_a_long_one_is_cut(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    shutil.copy(DATA / "demo.flac", tmp_path / "mine.flac")
    monkeypatch.setattr(workbench, "LONGEST_S", 4.0)
    bench = open_workbench(tmp_path / "mine.flac")
    assert bench.rig_path is None
    assert bench.seconds == 4.0
    assert not isinstance(bench.rig.detect.on_db, str)
    assert bench.reference.kind == "rig"


@pytest.mark.parametrize(("start_s", "seconds"), [(-1.0, 2.0), (26.0, 2.0), (0.0, 0.0), (float("nan"), 2.0)])
def test_a_stretch_that_is_not_in_the_take_is_refused(start_s: float, seconds: float) -> None:
    with pytest.raises(InputError, match=r"accepted: a stretch of the take, which is 25\.9 s long"):
        open_workbench(DATA / "demo.flac", start_s=start_s, seconds=seconds)


def test_a_take_that_does_not_fit_the_rig_is_refused(tmp_path: Path) -> None:
    soundfile.write(tmp_path / "stereo.wav", np.zeros((4800, 2)), 48_000)
    with pytest.raises(InputError, match="2 channels"):
        open_workbench(tmp_path / "stereo.wav")
    with pytest.raises(InputError, match=r"missing\.toml"):
        open_workbench(DATA / "demo.flac", rig=tmp_path / "missing.toml")


def test_two_files_of_notes_beside_a_take_are_refused(tmp_path: Path) -> None:
    for suffix in (".flac", ".json", ".csv"):
        (tmp_path / f"pier{suffix}").touch()
    with pytest.raises(InputError, match=r"both pier\.csv and pier\.json lie beside it; accepted: one file"):
        open_workbench(tmp_path / "pier.flac")
