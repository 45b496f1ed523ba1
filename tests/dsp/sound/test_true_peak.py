import numpy as np
import pytest

from thumbline.dsp.sound.true_peak import peaks_above, true_peak

RATE = 48_000


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
