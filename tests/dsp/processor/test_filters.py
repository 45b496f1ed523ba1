"""Filters by their formulas against SciPy, whose design functions are the reference."""

from typing import Any, Literal

import numpy as np
import pytest
from scipy import signal

from thumbline.dsp.processor.filters import butterworth, low_pass


@pytest.mark.parametrize("kind", ["lowpass", "highpass"])
@pytest.mark.parametrize(("hz", "rate"), [(14.0, 12000.0), (185.0, 11025.0), (20000.0, 44100.0), (80.0, 192000.0)])
def test_a_butterworth_section_is_scipys(kind: Literal["lowpass", "highpass"], hz: float, rate: float) -> None:
    section = np.asarray(signal.butter(2, hz, kind, fs=rate, output="sos"))[0]
    np.testing.assert_allclose(butterworth(kind, hz, rate), section[[0, 1, 2, 4, 5]], rtol=1e-9)


@pytest.mark.parametrize("taps", [13, 25, 97])
def test_a_low_pass_is_scipys(taps: int) -> None:
    window: Any = ("kaiser", 4.5)
    expected = signal.firwin(taps, 4320.0, fs=48000.0, window=window)
    np.testing.assert_allclose(low_pass(taps, 4320.0, 48000.0, 4.5), expected, atol=1e-15)


def test_one_tap_passes_everything() -> None:
    assert low_pass(1, 4320.0, 12000.0, 4.5).tolist() == [1.0]
