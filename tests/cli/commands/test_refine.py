"""`thumbline refine` as a player uses it, from a rig that was spoiled."""

import tomllib
from collections.abc import Callable
from pathlib import Path

import pytest

from tests.helpers.places import DATA
from thumbline.dsp.rig.file import load_rig, rig_from_dict, rig_text

Run = Callable[..., tuple[int, str, str]]


@pytest.fixture
def spoiled(tmp_path: Path) -> Path:
    """The demo guitar's rig with its thresholds 15 dB too low, bleed ignored, and a comment of the player's own."""
    data = load_rig(DATA / "demo.toml").model_dump()
    data["bleed"]["matrix"] = "off"
    for key in ("on_db", "off_db"):
        data["detect"][key] = tuple(round(db - 15.0, 2) for db in data["detect"][key])
    path = tmp_path / "spoiled.toml"
    path.write_text("# my blue guitar\n" + rig_text(rig_from_dict(data)), "utf-8")
    return path


def test_a_spoiled_rig_is_mended_and_its_comments_are_kept(run: Run, spoiled: Path, tmp_path: Path) -> None:
    out_file = tmp_path / "refined.toml"
    code, out, err = run("refine", DATA / "demo.flac", "--rig", spoiled, "--out", out_file)
    assert code == 0
    assert err.startswith("Note: one take alone says little of others")
    assert "measured anew" in out
    assert "In brackets: where the gain on another take as long should lie, 95 in 100" in out
    assert out.endswith("refined.toml: written\n")
    text = out_file.read_text("utf-8")
    assert text.startswith("# my blue guitar\n")
    assert "# Changed by thumbline refine: +" in text
    old, new = (tomllib.loads(file.read_text("utf-8")) for file in (spoiled, out_file))
    assert new["bleed"]["matrix"][0][1] == pytest.approx(-0.0508, abs=0.01)
    assert {key for key in new if new[key] != old[key]} <= {"bleed", "detect"}


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["--out", "rig.toml"], "no take to search on; accepted: TAKE, --open-strings TAKE, or both"),
        (["{data}/demo_pitch.csv", "--out", "rig.toml"], "is not a sound file"),
        (["missing.wav", "--out", "rig.toml"], "cannot open the take missing.wav"),
        (["{tmp}/alone.flac", "--out", "rig.toml"], "its notes are not known; accepted: a file alone.csv"),
        (["{data}/demo.flac"], "Missing option '--out'"),
    ],
)
def test_what_cannot_be_used_is_refused_in_one_line(
    run: Run, tmp_path: Path, arguments: list[str], words: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "alone.flac").write_bytes((DATA / "demo.flac").read_bytes())
    code, out, err = run("refine", *(each.format(data=DATA, tmp=tmp_path) for each in arguments))
    assert (code, out) == (2, "")
    assert words in err
    assert err.count("\n") == 1
    assert not (tmp_path / "rig.toml").exists()
