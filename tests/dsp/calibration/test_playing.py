"""Open strings one after the other are told from music, from chords, and from what a detector may slip on."""

from collections.abc import Sequence

import pytest

from tests.helpers.pictures import note
from thumbline.dsp.calibration.playing import not_open_strings

Played = Sequence[tuple[int, int]]  # string, fret

IN_TURN = [(string, 0) for string in range(6, 0, -1) for _ in range(3)]
AGAIN = [*IN_TURN, (6, 0), (6, 0), (3, 0)]
ONE_SLIP = [*IN_TURN[:4], (5, 12), *IN_TURN[4:]]
CHORDS = [(string, 0) for _ in range(4) for string in range(6, 0, -1)]
SCALE = [(string, fret) for string in (6, 5, 4) for fret in (0, 2, 3, 5)]


def heard(played: Played) -> str:
    return not_open_strings([note(string, float(at), at + 0.8, fret) for at, (string, fret) in enumerate(played)])


@pytest.mark.parametrize("played", [IN_TURN, IN_TURN[::-1], AGAIN, ONE_SLIP, IN_TURN[:3], [], [(6, 0), (5, 3)]])
def test_open_strings_in_turn_are_accepted(played: Played) -> None:
    assert heard(played) == ""


@pytest.mark.parametrize(
    ("played", "why"),
    [
        (CHORDS, "the notes go 23 times from one string to another"),
        (SCALE, "9 of 12 notes are not those of open strings"),
    ],
)
def test_chords_and_melodies_are_not(played: Played, why: str) -> None:
    assert heard(played) == why
