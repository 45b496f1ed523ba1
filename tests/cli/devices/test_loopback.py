"""The round trip is found to the frame, or not at all."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from thumbline.cli.devices.loopback import PEAK_DB, REPETITIONS, click, clicks, round_trip

RATE = 48_000


def through_a_cable(delay: int, gain: float = 1.0, noise: float = 0.0, hum: float = 0.0) -> NDArray[np.float64]:
    """What comes back: delayed, attenuated, with noise (rms) and hum (peak) added."""
    sent = clicks(RATE)
    rng = np.random.default_rng(delay)
    t = np.arange(len(sent)) / RATE
    heard = np.zeros(len(sent))
    heard[delay:] = gain * sent[: len(sent) - delay]
    return heard + noise * rng.standard_normal(len(sent)) + hum * np.sin(2.0 * np.pi * 50.0 * t)


@settings(max_examples=20, deadline=None)
@given(st.integers(0, round(0.39 * RATE)), st.sampled_from([1.0, -1.0, 0.1, -0.03]))
def test_the_round_trip_is_exact_whatever_the_level_and_polarity(delay: int, gain: float) -> None:
    found = round_trip(through_a_cable(delay, gain), RATE)
    assert found is not None
    assert (found.frames, found.spread, found.agreed) == (delay, 0, REPETITIONS)
    assert found.inverted == (gain < 0)
    assert found.gain_db == pytest.approx(20 * np.log10(abs(gain)), abs=0.1)
    assert found.ms == pytest.approx(1e3 * delay / RATE)


@pytest.mark.parametrize("gain", [0.3, -0.3])
def test_noise_as_loud_as_what_comes_back_and_louder_hum_do_not_hide_it(gain: float) -> None:
    rms = abs(gain) * 10.0 ** (PEAK_DB / 20.0)
    found = round_trip(through_a_cable(777, gain, noise=rms, hum=20 * rms), RATE)
    assert found is not None
    assert found.frames == 777
    assert found.inverted == (gain < 0)


@pytest.mark.parametrize("noise", [0.0, 1e-5, 0.1, 1.0])
def test_nothing_is_found_where_nothing_comes_back(noise: float) -> None:
    assert round_trip(through_a_cable(777, gain=0.0, noise=noise, hum=noise), RATE) is None


def test_a_return_that_jumps_about_is_not_believed() -> None:
    heard = through_a_cable(300)
    period = len(heard) // (REPETITIONS + 2)
    for repetition in range(REPETITIONS):
        start = (repetition + 1) * period
        heard[start : start + period] = np.roll(heard[start : start + period], 100 * repetition)
    assert round_trip(heard, RATE) is None


def test_clipping_is_noticed() -> None:
    heard = np.clip(through_a_cable(50, gain=20.0), -1.0, 1.0)
    found = round_trip(heard, RATE)
    assert found is not None
    assert found.clipped
    assert not round_trip(through_a_cable(50), RATE).clipped  # pyright: ignore[reportOptionalMemberAccess]


def test_what_is_played_is_limited_and_ends_silent() -> None:
    sent = clicks(RATE)
    assert np.max(np.abs(sent)) == pytest.approx(10.0 ** (PEAK_DB / 20.0))
    assert not np.any(sent[: RATE // 3])
    assert not np.any(sent[-RATE // 3 :])


def test_the_sequence_is_like_no_shifted_copy_of_itself() -> None:
    # Golomb (1967), Shift Register Sequences: the periodic autocorrelation of a maximum-length sequence is -1 / length.
    sequence = np.sign(click())
    periodic = np.fft.irfft(np.abs(np.fft.rfft(sequence)) ** 2, len(sequence))
    assert periodic[0] == pytest.approx(len(sequence))
    np.testing.assert_allclose(periodic[1:], -1.0, atol=1e-6)


def test_too_short_a_recording_is_refused() -> None:
    with pytest.raises(ValueError, match="at least"):
        round_trip(np.zeros(100), RATE)
