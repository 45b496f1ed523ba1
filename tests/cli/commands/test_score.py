"""`thumbline score` as a player uses it."""

import json
import re
from collections.abc import Callable
from pathlib import Path

import pytest

from tests.helpers.places import DATA
from tests.material.benches import demo_bench, demo_rig
from thumbline.dsp.results.render import render_take
from thumbline.dsp.rig.file import load_rig

Run = Callable[..., tuple[int, str, str]]


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return render_take(DATA / "demo.flac", tmp_path_factory.mktemp("out"), load_rig(DATA / "demo.toml")).folder


def test_the_demo_take_scores_well_and_a_table_says_so(run: Run, demo: Path) -> None:
    code, out, err = run("score", demo, DATA / "demo.json")
    assert (code, err) == (0, "")
    assert re.match(r"Bass notes: (\d+) played, \1 found \(within 50 ms\), 0 false\.\n", out)
    assert "While a bass was played it was on the right string 100.00 % of the time, on none 0.00 %; " in out
    assert "F at 50" not in out
    assert "F at 50" in run("score", demo, DATA / "demo.json", "--details")[1]
    assert re.search(r"Mutes after a pluck: median [0-3]\.\d ms, 95 % within [0-5]\.\d ms", out)


def test_json_holds_all_of_it(run: Run, demo: Path) -> None:
    code, out, err = run("score", demo, DATA / "demo.json", "--json")
    assert (code, err) == (0, "")
    scored = json.loads(out)
    assert scored["take"] == "demo"
    assert scored["path_right"] == 1.0
    assert set(scored["bass"]) == {"50_ms", "20_ms", "10_ms"}
    assert len(scored["strings"]) == 6
    assert len(scored["confusion_s"]) == 7
    assert scored["latency"]["after_a_pluck"]["count"] > 5


def test_every_missed_note_is_told_and_the_notebook_has_the_same_figures(run: Run, tmp_path: Path) -> None:
    spoiled = demo_rig(on_db=30.0)
    folder = render_take(DATA / "demo.flac", tmp_path, spoiled).folder
    scored = json.loads(run("score", folder, DATA / "demo.json", "--json")[1])
    decisions = demo_bench().decisions(spoiled)
    assert decisions.right is not None
    assert scored["path_right"] == round(decisions.right, 4) < 1.0
    for kind, notes in (("notes_missed", decisions.missed), ("notes_false", decisions.false)):
        told = [(each["string"], each["onset_s"], each["midi"]) for each in scored[kind]]
        assert told == [(each.string, round(each.onset_s, 6), pytest.approx(each.midi, abs=1e-3)) for each in notes]
    assert len(decisions.missed) > 1
    _, out, _ = run("score", folder, DATA / "demo.json")
    assert f"Notes of all strings: {len(decisions.missed)} missed, {len(decisions.false)} false" in out
    assert re.search(r"Onsets of bass notes: \d+\.\d ms (late|early) in the median, 95 % within \d+\.\d ms", out)


def test_a_result_is_perfect_against_itself(run: Run, demo: Path) -> None:
    code, out, _ = run("score", demo, demo / "notes.csv", "--json")
    assert code == 0
    assert {rates["f"] for rates in json.loads(out)["bass"].values()} == {1.0}


def test_a_picture_is_drawn(run: Run, demo: Path, tmp_path: Path) -> None:
    code, out, err = run("score", demo, DATA / "demo.json", "--picture", tmp_path / "wrong.png")
    assert (code, err) == (0, "")
    assert out.endswith("wrong.png: written\n")
    assert (tmp_path / "wrong.png").read_bytes().startswith(b"\x89PNG")


def test_the_truth_of_a_longer_take_is_wondered_at(run: Run, demo: Path, tmp_path: Path) -> None:
    (tmp_path / "gig.csv").write_text("onset_s,offset_s,string,midi\n99,100,6,40\n")
    code, _, err = run("score", demo, tmp_path / "gig.csv")
    assert code == 0
    assert "a note begins at 99.0 s, but the take lasts 25.9 s" in err


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["{demo}", "missing.csv"], "missing.csv: cannot be read (No such file or directory); accepted: a table (CSV)"),
        (["{demo}", "{demo}/bass.wav"], "bass.wav: byte "),
        (["{demo}", "{demo}/bass.mid"], "lies below string 1"),
        (["{data}", "{data}/demo.json"], "summary.json: cannot be read"),
        (["{demo}", "{data}/demo.json", "--picture", "/nowhere/wrong.png"], "/nowhere/wrong.png: cannot be written"),
        (["{demo}"], "Missing argument 'TRUTH'"),
    ],
)
def test_what_cannot_be_scored_is_refused_in_one_line(run: Run, demo: Path, arguments: list[str], words: str) -> None:
    code, out, err = run("score", *(each.format(demo=demo, data=DATA) for each in arguments))
    assert (code, out) == (2, "")
    assert words in err
    assert err.count("\n") == 1
