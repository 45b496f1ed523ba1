"""Folders of takes: which takes are in them, a run that goes on where it stopped, and the table of results."""

import csv
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile

from tests.helpers.places import DEMO
from thumbline.dsp.errors import InputError
from thumbline.dsp.files.archive import takes_in

RATE = 48_000
Run = Callable[..., tuple[int, str, str]]


@pytest.fixture(scope="module")
def sound() -> Any:
    return soundfile.read(DEMO, frames=RATE)[0]


@pytest.fixture
def archive(tmp_path: Path, sound: Any) -> Path:
    """An evening, a folder of mono files, a mix, notes, and something that Thumbline has made."""
    root = tmp_path / "archive"
    (root / "1998").mkdir(parents=True)
    soundfile.write(root / "1998" / "barn.wav", sound, RATE)
    (root / "1999" / "mono").mkdir(parents=True)
    for string in range(6):
        soundfile.write(root / "1999" / "mono" / f"{string + 1}.wav", sound[:, string], RATE)
    soundfile.write(root / "1999" / "mix.wav", sound.sum(axis=1) / 6.0, RATE)
    (root / "1999" / "notes.txt").write_text("rain")
    (root / ".trash").mkdir()
    shutil.copy(root / "1998" / "barn.wav", root / ".trash")
    return root


def rows(table: Path) -> list[dict[str, str]]:
    with table.open() as file:
        return list(csv.DictReader(file))


def test_takes_are_found_at_any_depth_and_what_is_no_take_is_passed_over(archive: Path, tmp_path: Path) -> None:
    found = [(take.path.relative_to(archive).as_posix(), take.folder.as_posix()) for take in takes_in(archive)]
    assert found == [("1998/barn.wav", "1998"), ("1999/mono", "1999")]
    (tmp_path / "empty").mkdir()
    with pytest.raises(InputError, match="holds no take"):
        takes_in(tmp_path / "empty")
    with pytest.raises(InputError, match="is no folder"):
        takes_in(archive / "1999" / "notes.txt")


def test_a_second_run_does_what_is_missing_or_has_changed_and_nothing_else(
    archive: Path, tmp_path: Path, run: Run
) -> None:
    out = tmp_path / "out"
    code, said, err = run("render", "--archive", archive, "--out", out)
    assert code == 0, err
    made = rows(out / "results.csv")
    assert [(row["take"], row["state"], row["folder"]) for row in made] == [
        ("1998/barn.wav", "made", "1998/barn"),
        ("1999/mono", "made", "1999/mono"),
    ]
    assert all(float(row["seconds"]) == 1.0 and int(row["bass_notes"]) > 0 for row in made)
    before = {path: path.stat().st_mtime_ns for path in out.rglob("*.wav")}
    (archive / "2001").mkdir()
    (archive / "2001" / "cut.wav").write_bytes((archive / "1998" / "barn.wav").read_bytes()[:5000])
    changed, rate = soundfile.read(archive / "1999" / "mono" / "3.wav")
    soundfile.write(archive / "1999" / "mono" / "3.wav", np.roll(changed, 7), rate)
    code, said, err = run("render", "--archive", archive, "--out", out)
    assert code == 2
    assert "cut.wav is damaged or cut short" in err
    again = rows(out / "results.csv")
    assert [row["state"] for row in again] == ["as before", "made", "refused"]
    assert "damaged or cut short" in again[-1]["reason"]
    assert said.splitlines()[-1].endswith("results.csv: 3 takes, 1 refused")
    same = [path for path in before if path.exists() and path.stat().st_mtime_ns == before[path]]
    assert sorted(path.relative_to(out).as_posix() for path in same) == ["1998/barn/bass.wav", "1998/barn/guitar.wav"]
    (tmp_path / "rig.toml").write_text("[bass]\ninterval = -24\n")
    run("render", "--archive", archive / "1998", "--out", out / "1998", "--rig", tmp_path / "rig.toml")
    assert [row["state"] for row in rows(out / "1998" / "results.csv")] == ["made"], "another rig"


def test_a_table_that_is_not_ours_is_kept(archive: Path, tmp_path: Path, run: Run) -> None:
    (tmp_path / "out").mkdir()
    (tmp_path / "out" / "results.csv").write_text("mine")
    code, _, err = run("render", "--archive", archive / "1998", "--out", tmp_path / "out")
    assert code == 2
    assert "exists and is not a table of results" in err
    assert (tmp_path / "out" / "results.csv").read_text() == "mine"
