"""Slips in a truth are named, each by itself, and a truth that fits has none."""

from collections.abc import Callable
from dataclasses import replace

import pytest

from tests.material.benches import demo_bench
from thumbline.dsp.scoring.truth import TrueNote
from thumbline.dsp.scoring.truth_slips import likely_slip


def scaled(note: TrueNote, ratio: float, lag_s: float) -> TrueNote:
    return replace(note, onset_s=note.onset_s * ratio + lag_s, offset_s=note.offset_s * ratio + lag_s)


def test_a_truth_that_fits_has_no_slip() -> None:
    assert likely_slip(demo_bench().known_notes, demo_bench().decisions().notes, 6) is None


@pytest.mark.parametrize(
    ("slipped", "words"),
    [
        (lambda n: replace(n, string=7 - n.string), "are its strings counted from the lowest"),
        (lambda n: replace(n, midi=n.midi - 12), "does it stand an octave below what sounds"),
        (lambda n: scaled(n, 1.0, 0.1), "is it 100 ms late all the time"),
        (lambda n: scaled(n, 48.0 / 44.1, 0.0), "was it timed by a clock of 44100 Hz where the take has 48000 Hz"),
    ],
)
def test_a_slip_is_named(slipped: Callable[[TrueNote], TrueNote], words: str) -> None:
    said = likely_slip([slipped(note) for note in demo_bench().known_notes], demo_bench().decisions().notes, 6)
    assert said is not None
    assert said.startswith(words)


def test_a_truth_of_another_take_has_no_likely_slip() -> None:
    notes = [TrueNote(1, 70.0, 0.3 * k, 0.3 * k + 0.2, 0.3 * k + 0.2, 0.3 * k + 0.2) for k in range(20)]
    assert likely_slip(notes, demo_bench().decisions().notes, 6) is None
