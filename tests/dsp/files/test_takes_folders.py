"""Takes that are folders of mono files."""

from pathlib import Path

import numpy as np
import pytest

from tests.material.take_files import content, noise, refusal, write
from thumbline.dsp.errors import InputError
from thumbline.dsp.files.takes import open_take


def test_the_files_of_a_folder_are_taken_in_natural_order_of_their_names(tmp_path: Path) -> None:
    names = [
        "String 1.wav",
        "string 2.WAV",
        "string 9.flac",
        "string 10.aiff",
        "string 010.caf",
        "string 11.w64",
    ]
    forms = ["WAV", "WAV", "FLAC", "AIFF", "CAF", "W64"]
    samples = np.round(noise(500, 6) * 2**23) / 2**23
    for column in (3, 5, 0, 4, 1, 2):  # made in no order
        write(tmp_path / names[column], samples[:, column], forms[column])
    with open_take(tmp_path, 6) as take:
        assert [file.name for file in take.files] == names
    np.testing.assert_array_equal(content(tmp_path, 6), samples)


def test_hidden_files_other_files_and_folders_are_passed_over(tmp_path: Path) -> None:
    for index in range(4):
        write(tmp_path / f"{index}.wav", noise(9, 1))
    for other in ("notes.txt", "take.json", ".DS_Store", "._0.wav", ".hidden.wav", "cover.png", "README"):
        (tmp_path / other).write_text("not sound")
    (tmp_path / "more.wav").with_suffix("").mkdir()
    assert content(tmp_path, 4).shape == (9, 4)


def test_a_folder_with_another_number_of_files_is_refused_with_both_counts(tmp_path: Path) -> None:
    for index in range(5):
        write(tmp_path / f"{index}.wav", noise(9, 1))
    message = refusal(tmp_path)
    assert "5 mono files" in message
    assert "6 strings" in message


def test_a_folder_without_sound_is_refused(tmp_path: Path) -> None:
    (tmp_path / "notes.txt").write_text("none")
    assert "no sound file" in refusal(tmp_path)


def test_a_folder_file_with_two_channels_is_named(tmp_path: Path) -> None:
    write(tmp_path / "1.wav", noise(9, 1))
    write(tmp_path / "2.wav", noise(9, 2))
    message = refusal(tmp_path, 2)
    assert "2.wav has 2 channels" in message
    assert "mono" in message


def test_files_of_unequal_length_or_rate_are_both_named(tmp_path: Path) -> None:
    write(tmp_path / "1.wav", noise(9, 1))
    write(tmp_path / "2.wav", noise(8, 1))
    message = refusal(tmp_path, 2)
    assert "1.wav" in message
    assert "2.wav have 9 and 8 frames" in message
    write(tmp_path / "2.wav", noise(9, 1), rate=44_100)
    message = refusal(tmp_path, 2)
    assert "1.wav" in message
    assert "2.wav have sample rates of 48000 Hz and 44100 Hz" in message


def test_a_folder_named_like_a_sound_file_inside_a_folder_is_refused(tmp_path: Path) -> None:
    write(tmp_path / "1.wav", noise(9, 1))
    (tmp_path / "2.wav").mkdir()
    assert "2.wav" in refusal(tmp_path, 2)


NOTES = ["E4", "B3", "G3", "D3", "A2", "E2"]


def by_name(folder: Path, names: list[str], channels: list[int] | None = None, notes: list[str] = NOTES) -> np.ndarray:
    """Write string 1's samples under the first name and so on; return the take as it is read."""
    for index, name in enumerate(names):
        write(folder / f"{name}.wav", np.full((20, 1), (index + 1) / 8))
    with open_take(folder, len(notes), channels, notes) as take:
        return np.concatenate(list(take.blocks(100)))[0] * 8


@pytest.mark.parametrize("form", ["{}", "gig_{}", "{} clean", "1. {}", "pier-{}", "take 2 {}"])
def test_files_named_by_the_open_strings_go_to_their_strings(tmp_path: Path, form: str) -> None:
    np.testing.assert_array_equal(by_name(tmp_path, [form.format(note) for note in NOTES]), [1, 2, 3, 4, 5, 6])


def test_so_they_do_in_other_tunings_and_on_other_channels(tmp_path: Path) -> None:
    notes = ["D4", "A3", "F#3", "D3", "A2", "D2"]
    names = ["d4", "a3", "Gb3", "D3", "A2", "D2"]
    (tmp_path / "one").mkdir()
    np.testing.assert_array_equal(by_name(tmp_path / "one", names, None, notes), [1, 2, 3, 4, 5, 6])
    (tmp_path / "other").mkdir()
    channels = [6, 5, 4, 3, 2, 1]  # channel 6 carries string 1
    np.testing.assert_array_equal(by_name(tmp_path / "other", NOTES, channels), [6, 5, 4, 3, 2, 1])


def test_numbers_before_the_notes_do_not_matter(tmp_path: Path) -> None:
    names = [f"{6 - index} {note}" for index, note in enumerate(NOTES)]
    np.testing.assert_array_equal(by_name(tmp_path, names), [1, 2, 3, 4, 5, 6])


@pytest.mark.parametrize(
    ("names", "word"),
    [
        (["E4", "B3", "G3", "D3", "A2", "D2"], "E4 B3 G3 D3 A2 E2"),
        (["E4", "B3", "G3", "D3", "A2", "gig E4"], "E4 B3 G3 D3 A2 E2"),
        (["high E", "B", "G", "D", "A", "low E"], "without octaves"),
    ],
)
def test_notes_that_are_not_those_of_the_strings_are_refused_in_words(
    tmp_path: Path, names: list[str], word: str
) -> None:
    with pytest.raises(InputError, match="named by the notes") as caught:
        by_name(tmp_path, names)
    assert word in str(caught.value)


@pytest.mark.parametrize(
    "names",
    [["a", "b", "c", "d", "e", "f"], ["1", "2", "3", "4", "5", "6"], [f"string {n}" for n in range(1, 7)]],
)
def test_other_names_count_as_before(tmp_path: Path, names: list[str]) -> None:
    np.testing.assert_array_equal(by_name(tmp_path, names), [1, 2, 3, 4, 5, 6])
