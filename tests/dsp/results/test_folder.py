"""Reading a rendered folder back."""

import json
from pathlib import Path

import pytest

from thumbline.dsp.errors import InputError
from thumbline.dsp.midi.mutes import MuteDecision
from thumbline.dsp.results.folder import FoundNote, read_result
from thumbline.dsp.rig.model import Rig

NOTES = "onset_s,offset_s,string,fret,midi,note,hz,cents,velocity\n0.5,1.25,6,0,40.02,E2,82.5,2.0,88\n"


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    rig = Rig().model_dump(mode="json")
    (tmp_path / "summary.json").write_text(json.dumps({"take": "pier", "seconds": 2.0, "rig": rig}))
    for name in ("bassline.csv", "notes.csv"):
        (tmp_path / name).write_text(NOTES)
    (tmp_path / "mutes.csv").write_text("time_s,string,open\n0.5,1,0\n0.6,1,1\n")
    return tmp_path


def test_tables_and_summary_are_read(folder: Path) -> None:
    result = read_result(folder)
    assert (result.take, result.seconds, result.rig.string_count) == ("pier", 2.0, 6)
    assert result.bassline == result.notes == (FoundNote(0.5, 1.25, 6, 40.02),)
    assert result.mutes == (MuteDecision(0.5, 1, False), MuteDecision(0.6, 1, True))


@pytest.mark.parametrize(
    ("name", "content", "words"),
    [
        ("summary.json", "{", "is not JSON"),
        ("summary.json", "[]", "lacks the take"),
        ("summary.json", '{"take": "pier", "seconds": 1, "rig": {"detect": {"on_db": 3}}}', "detect.on_db is 3"),
        ("bassline.csv", "", "lacks one of the columns"),
        ("notes.csv", "onset_s,offset_s,string\n0,1,2\n", "lacks one of the columns"),
        ("notes.csv", NOTES + "0,1\n", "line 3: onset_s, offset_s, string, midi are not all numbers"),
        ("notes.csv", NOTES + "0,x,6,0,40,E2,82,0,88\n", "are not all numbers"),
        ("notes.csv", NOTES + "0,nan,6,0,40,E2,82,0,88\n", "are not all numbers"),
        ("bassline.csv", NOTES + "0,1,9,0,40,E2,82,0,88\n", "line 3: string is 9; accepted: a whole number, 1 to 6"),
        ("mutes.csv", "\udcff", "is not text in UTF-8"),
    ],
)
def test_a_damaged_file_is_refused_in_one_line(folder: Path, name: str, content: str, words: str) -> None:
    (folder / name).write_bytes(content.encode("utf-8", "surrogateescape"))
    with pytest.raises(InputError) as refused:
        read_result(folder)
    assert words in str(refused.value)
    assert name in str(refused.value)
    assert "\n" not in str(refused.value)


def test_a_missing_file_or_folder_is_refused(folder: Path) -> None:
    (folder / "mutes.csv").unlink()
    with pytest.raises(InputError, match=r"mutes\.csv: cannot be read"):
        read_result(folder)
    with pytest.raises(InputError, match="is not a folder"):
        read_result(folder / "summary.json")
