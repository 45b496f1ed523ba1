import numpy as np
import pytest
from pyloudnorm import Meter

from thumbline.dsp.loudness import integrated_loudness, limit_true_peak, normalise
from thumbline.dsp.true_peak import peaks_above, true_peak

RATE = 48_000


def _plucks(level: float, seconds: float = 4.0) -> np.ndarray:
    time = np.arange(round(seconds * RATE)) / RATE
    sound = level * np.sin(2 * np.pi * 110 * time) * np.exp(-8 * (time % 0.5))
    return sound.astype(np.float32)[:, None]


@pytest.mark.parametrize("level", [0.01, 0.1, 3.0])
def test_a_sound_is_brought_to_the_loudness(level: float) -> None:
    sound, _, loudness, peak_db = normalise(_plucks(level), RATE, -18.0, -1.0)
    exact = Meter(RATE, filter_class="DeMan").integrated_loudness(sound)
    assert exact == pytest.approx(-18.0, abs=0.03)
    assert loudness == pytest.approx(exact, abs=0.03)
    assert peak_db <= -1.0


def test_peaks_are_limited_and_loudness_is_kept_all_the_same() -> None:
    time = np.arange(6 * RATE) / RATE
    spikes = np.exp(-60 * (time % 0.5)) * np.sin(2 * np.pi * 220 * time)
    sound, _, loudness, peak_db = normalise(spikes.astype(np.float32)[:, None], RATE, -18.0, -1.0)
    assert np.max(np.abs(spikes)) * 10 ** ((-18.0 - integrated_loudness(spikes[:, None], RATE)) / 20) > 1.0
    assert -1.3 < peak_db <= -1.0
    assert loudness == pytest.approx(-18.0, abs=0.1)
    assert true_peak(sound) <= 10 ** (-1.0 / 20)


def test_where_no_peak_is_near_the_limiter_changes_nothing() -> None:
    sound = _plucks(0.5)
    sound[RATE] = 2.0
    limited = limit_true_peak(sound, RATE, -1.0)
    far = np.abs(np.arange(len(sound)) - RATE) > 0.05 * RATE
    assert np.array_equal(limited[far], sound[far])
    assert true_peak(limited) <= 10 ** (-1.0 / 20)


def test_a_sound_below_the_ceiling_is_left_alone() -> None:
    sound = _plucks(0.3)
    assert limit_true_peak(sound, RATE, -1.0) is sound


def test_channels_are_turned_down_together() -> None:
    left = _plucks(2.0)
    limited = limit_true_peak(np.hstack([left, 0.5 * left]).astype(np.float32), RATE, -1.0)
    np.testing.assert_allclose(limited[:, 1], 0.5 * limited[:, 0], atol=1e-6)


def test_true_peak_is_that_of_an_independent_oversampling() -> None:
    from scipy.signal import resample_poly

    sound = np.random.default_rng(0).uniform(-1, 1, (RATE, 2)).astype(np.float32)
    smooth = np.apply_along_axis(lambda x: np.convolve(x, np.hanning(9) / 4, "same"), 0, sound).astype(np.float32)
    expected = np.max(np.abs(resample_poly(smooth.astype(float), 4, 1, window=("kaiser", 8.0))))
    assert true_peak(smooth) == pytest.approx(expected, rel=0.01)


def test_what_is_skipped_could_not_have_been_higher() -> None:
    sound = np.random.default_rng(3).standard_normal((20_000, 1)).astype(np.float32)
    sound[5000:15_000] *= 0.01
    assert true_peak(sound) == float(np.max(peaks_above(sound, 0.0)))


@pytest.mark.parametrize("frames", [0, 100, RATE])
def test_silence_and_what_is_too_short_stay_as_they_are(frames: int) -> None:
    sound = np.zeros((frames, 1), np.float32)
    same, gain_db, loudness, peak_db = normalise(sound, RATE, -18.0, -1.0)
    assert same is sound
    assert (gain_db, loudness, peak_db) == (0.0, -np.inf, -np.inf)
