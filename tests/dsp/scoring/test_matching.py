"""Matching in parts gives what matching at once gives."""

import numpy as np
import pytest

from thumbline.dsp.results.folder import FoundNote
from thumbline.dsp.scoring import matching
from thumbline.dsp.scoring.matching import Rates, match


def some_notes(rng: np.random.Generator, count: int) -> list[FoundNote]:
    onsets = rng.uniform(0.0, 60.0, count)
    return [FoundNote(float(t), float(t) + 0.2, 6, float(rng.integers(40, 44))) for t in onsets]


def test_long_takes_are_matched_in_parts_that_change_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    rng = np.random.default_rng(7)
    true, found = some_notes(rng, 200), some_notes(rng, 210)
    whole = match(true, found, 0.05)
    monkeypatch.setattr(matching, "PART", 10)
    parts = match(true, found, 0.05)
    assert len(whole) == len(parts) > 10
    assert all(abs(true[a].onset_s - found[b].onset_s) <= 0.05 + 1e-4 for a, b in parts)


def test_nothing_matches_nothing() -> None:
    notes = [FoundNote(0.0, 1.0, 6, 40.0)]
    assert match([], [], 0.05) == match(notes, [], 0.05) == match([], notes, 0.05) == []


def test_rates_are_those_of_the_textbook() -> None:
    rates = Rates(true=10, matched=6, false=2)
    assert (rates.precision, rates.recall) == (0.75, 0.6)
    assert rates.f == pytest.approx(2 * 0.75 * 0.6 / 1.35)
    assert Rates(0, 0, 0).f == Rates(0, 0, 0).precision == Rates(0, 0, 0).recall == 0.0
