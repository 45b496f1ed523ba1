"""Confidence means what it says: of values at 0.9, about nine in ten are right, on material it was not fitted to.

Reliability is compared bin by bin, as in a reliability diagram (DeGroot and Fienberg, The Statistician 32, 1983).
"""

from functools import cache

import numpy as np

from tests.helpers.places import needs_recordings
from tests.material.confidence_material import (
    Reported,
    bursts,
    damped_values,
    isotonic,
    joined,
    model_values,
    recorded_values,
)
from thumbline.dsp.processor.confidence import CLARITY, PROVED, UNPROVED, confidence


@cache
def models() -> list[Reported]:
    return list(model_values(1))


@cache
def damped() -> list[Reported]:
    return list(damped_values(1))


def stated(values: Reported) -> np.ndarray:
    return np.where(values.proved, confidence(values.clarity, True), confidence(values.clarity, False))


def test_confidence_rises_with_clarity_and_with_the_proof_and_is_a_probability() -> None:
    clarity = np.linspace(0, 1, 501)
    for proved in (False, True):
        curve = confidence(clarity, proved)
        assert (np.diff(curve) >= 0).all()
        assert curve.min() >= 0.0
        assert curve.max() <= 1.0
    assert (confidence(clarity, True) > confidence(clarity, False)).all()
    assert len(CLARITY) == len(PROVED) == len(UNPROVED)


@needs_recordings
def test_values_that_the_tables_were_not_made_from_are_right_as_often_as_is_stated() -> None:
    values = joined([*models(), *bursts(1), *recorded_values(1), *damped()])
    said = stated(values)
    assert len(said) > 10_000
    misses = {}
    for low, high in ((0.0, 0.3), (0.3, 0.6), (0.6, 0.8), (0.8, 0.95), (0.95, 1.01)):
        inside = (said >= low) & (said < high)
        assert np.count_nonzero(inside) > 200, "or the bin says nothing"
        share, mean = float(values.right[inside].mean()), float(said[inside].mean())
        if abs(share - mean) > 0.1:
            misses[low] = (mean, share)
    assert misses == {}
    # Expected calibration error: the mean miss over all values (Naeini et al., AAAI 2015; reference from memory).
    order = np.argsort(said)
    parts = np.array_split(order, 20)
    assert np.mean([abs(said[part].mean() - values.right[part].mean()) for part in parts]) < 0.03


@needs_recordings
def test_damped_strings_are_doubted() -> None:
    values = joined(damped())
    assert not values.right.any()
    assert stated(values).mean() < 0.6


def test_model_strings_are_trusted() -> None:
    model = joined([each for each in models() if each.kind == "model"])
    assert model.right.mean() > 0.98
    assert np.median(stated(model)) > 0.95


def test_pooling_makes_the_rising_curve_of_least_squares() -> None:
    # Worked by hand: 3, 1 pool to 2, 2; then 2, 0 would fall, so all three pool.
    x, y = isotonic(np.array([1.0, 2.0, 3.0, 4.0]), np.array([3.0, 1.0, 0.0, 5.0]))
    np.testing.assert_allclose(x, [1, 2, 3, 4])
    np.testing.assert_allclose(y, [4 / 3, 4 / 3, 4 / 3, 5])
