"""Tables of a result, and the names of the folders of several takes."""

import csv
from pathlib import Path

import numpy as np
import pytest

from thumbline.dsp.errors import InputError
from thumbline.dsp.files.outputs import write_csv
from thumbline.dsp.files.takes import distinct_names

# --- tables ---


def test_a_table_reads_back_as_it_was_written(tmp_path: Path) -> None:
    rows = [(0.1, "E2, open", None), (np.float64(1 / 3), 'the "low" one', 7), (1e-7, "two\nlines", "é")]
    write_csv(tmp_path / "notes.csv", ["onset_s", "name", "string"], rows)
    with (tmp_path / "notes.csv").open(encoding="utf-8", newline="") as file:
        header, *read = csv.reader(file)
    assert header == ["onset_s", "name", "string"]
    assert [float(row[0]) for row in read] == [0.1, 1 / 3, 1e-7]
    assert [row[1:] for row in read] == [["E2, open", ""], ['the "low" one', "7"], ["two\nlines", "é"]]


def test_a_table_without_rows_is_its_header_in_one_line(tmp_path: Path) -> None:
    write_csv(tmp_path / "mutes.csv", ["time_s", "string", "open"], iter(()))
    assert (tmp_path / "mutes.csv").read_bytes() == b"time_s,string,open\n"


def test_a_row_of_another_length_is_an_error(tmp_path: Path) -> None:
    with pytest.raises(ValueError, match="a row of 1 fields under a header of 2"):
        write_csv(tmp_path / "a.csv", ["a", "b"], [(1,)])


def test_a_table_that_cannot_be_written_is_told_in_plain_words(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    with pytest.raises(InputError, match=r"cannot write a\.csv: not a directory"):
        write_csv(tmp_path / "file" / "a.csv", ["a"], [])


# --- names of several takes ---


def test_takes_are_named_in_their_order(tmp_path: Path) -> None:
    (tmp_path / "three.x").mkdir()
    assert distinct_names([Path("b/two.wav"), "a/one.flac", tmp_path / "three.x"]) == [
        "two",
        "one",
        "three.x",
    ]
    assert distinct_names([]) == []


@pytest.mark.parametrize(
    ("first", "second"),
    [
        ("monday/take.wav", "tuesday/take.wav"),
        ("take.wav", "take.flac"),
        ("take.wav", "take.wav"),
        ("Take.wav", "tAKE.wav"),
        ("caf\u00e9.wav", "cafe\u0301.wav"),
    ],
)
def test_two_takes_of_one_name_are_refused_with_both_paths(first: str, second: str) -> None:
    with pytest.raises(InputError) as caught:
        distinct_names(["other.wav", first, second])
    assert f"{first} and {second}" in str(caught.value)
