"""A curve between its samples, against SciPy's interpolation and curves that are known everywhere."""

import numpy as np
import pytest
from scipy.interpolate import BarycentricInterpolator

from thumbline.dsp.kernel.interpolation import REACH, STEPS, interpolate, parabola_vertex, refine_peak


@pytest.mark.parametrize("place", [7.0, 7.125, 7.5, 7.875, 20.25])
def test_the_value_is_that_of_the_polynomial_through_the_samples_around(place: float) -> None:
    curve = np.random.default_rng(3).normal(0, 1, 40)
    around = np.arange(int(place) + 1 - REACH, int(place) + 1 + REACH)
    assert interpolate(curve, place) == pytest.approx(BarycentricInterpolator(around, curve[around])(place), rel=1e-9)


def test_a_curve_goes_on_before_0_as_it_does_after() -> None:
    curve = np.cos(0.3 * np.arange(20))
    assert interpolate(curve, 0.5) == pytest.approx(np.cos(0.15), abs=1e-6)
    assert interpolate(curve, 1.875) == pytest.approx(np.cos(0.3 * 1.875), abs=1e-6)


def test_a_place_is_met_to_within_a_step() -> None:
    curve = np.arange(20.0)
    assert interpolate(curve, 8.0 + 3.4 / STEPS) == pytest.approx(8.0 + 3.0 / STEPS)
    assert interpolate(curve, 8.0 + 3.6 / STEPS) == pytest.approx(8.0 + 4.0 / STEPS)


@pytest.mark.parametrize("top", np.arange(24.5, 25.5, 0.07))
def test_the_summit_of_a_bright_wave_is_found_between_two_samples(top: float) -> None:
    # Partials of a period of 25 samples, as a correlation: the highest has 3.6 samples to a cycle.
    lag = np.arange(60)
    shares = {1: 0.2, 3: 0.3, 5: 0.2, 7: 0.3}
    curve = np.sum([share * np.cos(2 * np.pi * k * (lag - top) / 25) for k, share in shares.items()], axis=0)
    at = 20 + int(np.argmax(curve[20:30]))
    place, height = refine_peak(curve, at)
    assert place == pytest.approx(top, abs=0.015)
    assert height == pytest.approx(1.0, abs=0.02)
    if abs(top - at) > 0.4:
        assert curve[at] < 0.9


def test_the_vertex_of_a_parabola_is_exact_and_none_where_it_opens_upwards() -> None:
    assert parabola_vertex(-(1.3**2), -(0.3**2), -(0.7**2)) == pytest.approx(0.3)
    assert parabola_vertex(1.0, 0.0, 1.0) == 0.0
