"""The loudness meter and the true-peak meter on the test signals of EBU Tech 3341 (version 4, 2023), table 1.

Signals are synthesised after the descriptions of the document: cases 1 to 6 (integrated loudness, within 0.1 LU) and 15
to 19 (true peak, within +0.2 and -0.4 dB). Cases 7 and 8 are recordings, 9 to 14 are of momentary and short-term
loudness, which is not measured here; 20 to 23 need the published files. Durations, levels and tolerances are from
memory.
"""

import math

import numpy as np
import pytest

from thumbline.dsp.sound.loudness import integrated_loudness
from thumbline.dsp.sound.true_peak import true_peak

RATE = 48_000


def _tone(level_dbfs: float, seconds: float) -> np.ndarray:
    return 10 ** (level_dbfs / 20) * np.sin(2 * np.pi * 1000 * np.arange(round(seconds * RATE)) / RATE)


#: Case: levels in dBFS and lengths in s of the stereo tone at 1 kHz, expected loudness.
STEREO_CASES = {
    1: ([(-23.0, 20.0)], -23.0),
    2: ([(-33.0, 20.0)], -33.0),
    3: ([(-36.0, 10.0), (-23.0, 60.0), (-36.0, 10.0)], -23.0),
    4: ([(-72.0, 10.0), (-36.0, 10.0), (-23.0, 60.0), (-36.0, 10.0), (-72.0, 10.0)], -23.0),
    5: ([(-26.0, 20.0), (-20.0, 20.1), (-26.0, 20.0)], -23.0),
}


@pytest.mark.parametrize("case", STEREO_CASES)
def test_integrated_loudness_of_stereo_tones(case: int) -> None:
    tones, expected = STEREO_CASES[case]
    mono = np.concatenate([_tone(level, seconds) for level, seconds in tones])
    stereo = np.repeat(mono[:, None], 2, axis=1).astype(np.float32)
    assert integrated_loudness(stereo, RATE) == pytest.approx(expected, abs=0.1)


def test_integrated_loudness_of_five_channels_case_6() -> None:
    levels = (-28.0, -28.0, -24.0, -30.0, -30.0)
    surround = np.stack([_tone(level, 20.0) for level in levels], axis=1).astype(np.float32)
    assert integrated_loudness(surround, RATE) == pytest.approx(-23.0, abs=0.1)


#: Case: fraction of the rate, phase in degrees, amplitude, expected dBTP.
PEAK_CASES = {
    15: (4, 0.0, 0.50, -6.0),
    16: (4, 45.0, 0.50, -6.0),
    17: (6, 60.0, 0.50, -6.0),
    18: (8, 67.5, 0.50, -6.0),
    19: (4, 45.0, 1.41, 3.0),
}


@pytest.mark.parametrize("case", PEAK_CASES)
def test_true_peak_between_samples(case: int) -> None:
    divisor, phase, amplitude, expected = PEAK_CASES[case]
    turns = np.arange(RATE) / divisor + phase / 360
    # Faded, since a tone that is cut has overtones that are higher than it.
    fade = np.minimum(1.0, np.minimum(np.arange(RATE), np.arange(RATE)[::-1]) / 2000)
    sound = (amplitude * fade * np.sin(2 * np.pi * turns)).astype(np.float32)[:, None]
    measured = 20 * math.log10(true_peak(sound))
    assert expected - 0.4 <= measured <= expected + 0.2


@pytest.mark.parametrize("rate", [22_050, 44_100, 48_000, 96_000])
def test_the_filters_hold_at_any_rate(rate: int) -> None:
    tone = 10 ** (-23 / 20) * np.sin(2 * np.pi * 1000 * np.arange(10 * rate) / rate)
    stereo = np.repeat(tone[:, None], 2, axis=1).astype(np.float32)
    assert integrated_loudness(stereo, rate) == pytest.approx(-23.0, abs=0.1)
