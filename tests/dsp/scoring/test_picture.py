"""The picture of where a result went wrong holds what it says."""

from dataclasses import replace
from io import BytesIO

import numpy as np
import pytest
from matplotlib.image import imread
from numpy.typing import NDArray

from thumbline.dsp.results.folder import FoundNote
from thumbline.dsp.rig.model import Rig
from thumbline.dsp.scoring.picture import FOUND, TRUE, WRONG, draw_score
from thumbline.dsp.scoring.score import score
from thumbline.dsp.scoring.true_bass import TrueBass
from thumbline.dsp.scoring.truth import TrueNote

RIG = Rig()
NOTES = [TrueNote(6, 40.0, t, t + 0.8, t + 0.8, t + 0.8) for t in (0.5, 1.5, 2.5)]
RIGHT = [FoundNote(note.onset_s, note.offset_s, 6, 40.0) for note in NOTES]


def draw(bassline: list[FoundNote], notes: list[TrueNote] = NOTES, title: str = "pier") -> bytes:
    truth = TrueBass(notes)
    scored = score(truth, bassline, strings=6)
    return draw_score(title=title, seconds=4.0, rig=RIG, score=scored, truth=truth, bassline=bassline)


def pixels(png: bytes, colour: str, below: int = 80) -> NDArray[np.bool_]:
    image = np.rint(imread(BytesIO(png))[below:, :, :3] * 255).astype(int)
    return (image == [int(colour[i : i + 2], 16) for i in (1, 3, 5)]).all(axis=2)


def test_what_is_right_is_not_vermilion() -> None:
    png = draw(RIGHT)
    assert pixels(png, TRUE).sum() > 1000
    assert pixels(png, FOUND).sum() > 1000
    assert not pixels(png, WRONG).any()


def test_what_is_wrong_is_vermilion_where_it_is_and_drawn_closer_below() -> None:
    wrong = draw([RIGHT[0], replace(RIGHT[1], string=2), RIGHT[2]])
    assert pixels(wrong, WRONG).sum() > 500
    assert imread(BytesIO(wrong)).shape[0] > imread(BytesIO(draw(RIGHT))).shape[0] + 100
    columns = np.flatnonzero(pixels(wrong, WRONG)[:200].any(axis=0))
    seconds = 4.0 * (columns - 120) / (1568 - 120)
    assert 1.4 < seconds.min() < seconds.max() < 2.5


def test_a_missed_note_is_outlined() -> None:
    missed = draw(RIGHT[:2])
    assert pixels(missed, WRONG).sum() > 0
    assert pixels(missed, TRUE).sum() > 1000


@pytest.mark.parametrize("notes", [[], NOTES[:1]])
def test_little_truth_makes_a_picture_too(notes: list[TrueNote]) -> None:
    assert draw([], notes).startswith(b"\x89PNG")


def test_a_long_title_and_a_long_take_fit() -> None:
    truth = TrueBass([TrueNote(6, 40.0, t, t + 0.5, t + 0.5, t + 0.5) for t in range(1, 600)])
    scored = score(truth, [], strings=6)
    png = draw_score(title="pier " * 60, seconds=610.0, rig=RIG, score=scored, truth=truth, bassline=[])
    assert imread(BytesIO(png)).shape[1] == 1600


def test_a_length_that_is_none_is_refused() -> None:
    truth = TrueBass(NOTES)
    with pytest.raises(ValueError, match="seconds is nan"):
        draw_score(title="", seconds=float("nan"), rig=RIG, score=score(truth, [], strings=6), truth=truth, bassline=[])
