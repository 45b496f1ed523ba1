"""The textbook filters that parameters are made of.

By their formulas: the library that designs any filter takes longer to load than all else that a start on stage needs.
"""

import math
from typing import Literal

import numpy as np


def butterworth(kind: Literal["lowpass", "highpass"], hz: float, rate: float) -> np.ndarray:
    """Return b0 b1 b2 a1 a2 of a Butterworth filter of second order, -3 dB at ``hz`` (0 to half the ``rate``).

    Bilinear transform of 1 / (s^2 + sqrt(2) s + 1), or of s^2 over the same, with the frequency pre-warped (Oppenheim
    and Schafer, "Discrete-Time Signal Processing", chapter on filter design).
    """
    warped = math.tan(math.pi * hz / rate)
    a0 = 1.0 + math.sqrt(2.0) * warped + warped * warped
    b0, sign = (warped * warped, 1.0) if kind == "lowpass" else (1.0, -1.0)
    a1, a2 = 2.0 * (warped * warped - 1.0), 1.0 - math.sqrt(2.0) * warped + warped * warped
    return np.array([b0, sign * 2.0 * b0, b0, a1, a2]) / a0


def high_shelf(hz: float, shelf_db: float, rate: float) -> np.ndarray:
    """Return b0 b1 b2 a1 a2 of a high shelf of second order: half of ``shelf_db`` at ``hz``, all of it far above.

    The steepest slope without a bump (R. Bristow-Johnson, "Audio EQ Cookbook", S = 1).
    """
    root = 10.0 ** (shelf_db / 40.0)
    turn = 2.0 * math.pi * hz / rate
    cosine, slope = math.cos(turn), math.sqrt(2.0 * root) * math.sin(turn)
    up, down = root + 1.0, root - 1.0
    b = np.array([up + down * cosine + slope, -2.0 * (down + up * cosine), up + down * cosine - slope]) * root
    a = np.array([up - down * cosine + slope, 2.0 * (down - up * cosine), up - down * cosine - slope])
    return np.concatenate([b, a[1:]]) / a[0]


def low_pass(taps: int, hz: float, rate: float, beta: float) -> np.ndarray:
    """Return ``taps`` coefficients of a linear-phase low-pass, -6 dB at ``hz``, gain 1 at 0 Hz.

    A sinc under a Kaiser window with shape ``beta`` (Kaiser, "Nonrecursive digital filter design using the I0-sinh
    window function", ISCAS 1974). A single tap is 1.
    """
    turn = 2.0 * hz / rate
    wanted = turn * np.sinc(turn * (np.arange(taps) - 0.5 * (taps - 1))) * np.kaiser(taps, beta)
    return wanted / wanted.sum()
