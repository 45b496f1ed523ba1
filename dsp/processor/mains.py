"""Whether mains hum is there, and its frequency.

Hum goes on while notes come and go: in a spectrum of several seconds it is a thin line at 50 or 60 Hz, with others at
multiples, and notes are spread around it. Public mains are kept within 1 % of the nominal frequency nearly
always (EN 50160, clause 4.2.1: 50 Hz +- 1 % during 99.5 % of a year; figure from memory).
"""

from collections.abc import Iterable, Iterator

import numpy as np
from numpy.typing import NDArray

from thumbline.dsp.decibels import power_db, power_of
from thumbline.dsp.kernel.conditioning import LOUDEST

NOMINAL_HZ = (50.0, 60.0)
#: Rate at which lines are looked for, in Hz: all of them lie far below half of it.
LOW_RATE = 2000
#: Length of a stretch, in seconds: lines are half a Hz wide then.
STRETCH_S = 8.0
#: A shorter take than this says nothing.
SHORTEST_S = 1.0
#: The fundamental must stand this far above its surroundings, in dB;
LINE_DB = 14.0
#: or two lines must stand this far above theirs, in dB,
TWO_LINES_DB = 10.0
#: and agree on the fundamental to within this, in Hz.
AGREE_HZ = 0.05
#: Harmonics looked at.
LOOK_AT = (1, 2, 3)
#: A line must stand this far above every other one near it: music that repeats exactly is a comb of lines, in dB.
ABOVE_OTHERS_DB = 6.0
#: The surroundings of a line begin this far to either side of it, in Hz ...
NEAR_HZ = 1.0
#: ... and end this far, in Hz.
FAR_HZ = 4.0


def find_mains(blocks: Iterable[NDArray[np.float64]], rate: int) -> float | None:
    """Return the frequency of the hum in Hz, or None if there is none.

    ``blocks``: consecutive frames (n, channels) of a take, which are looked at one after the other.
    """
    spectrum, resolution = _mean_spectrum(blocks, rate)
    if spectrum is None:
        return None
    best, best_hz = 0.0, None
    for nominal in NOMINAL_HZ:
        lines = [(height, hz / k) for k in LOOK_AT for height, hz in [_line(spectrum, nominal * k, resolution)]]
        found = [(height, hz) for height, hz in lines if height >= TWO_LINES_DB]
        agreed = len(found) >= 2 and max(hz for _, hz in found) - min(hz for _, hz in found) < AGREE_HZ
        total = sum(height for height, _ in found)
        if (agreed or lines[0][0] >= LINE_DB) and total > best:
            # Of lines that agree the highest harmonic tells the fundamental most precisely.
            best, best_hz = total, found[-1][1] if agreed else lines[0][1]
    return best_hz


def low_rate_frames(blocks: Iterable[NDArray[np.float64]], group: int) -> Iterator[NDArray[np.float64]]:
    """Yield, for each of ``blocks`` (n, channels), the means of every ``group`` frames; a rest waits for the next."""
    left = np.zeros((0, 1))
    for block in blocks:
        block = np.clip(block, -LOUDEST, LOUDEST)
        left = np.concatenate([left, block]) if len(left) else block
        whole = len(left) // group * group
        means = left[:whole].reshape(-1, group, left.shape[1]).mean(axis=1)
        left = left[whole:]
        yield means


def _mean_spectrum(blocks: Iterable[NDArray[np.float64]], rate: int) -> tuple[NDArray[np.float64] | None, float]:
    """Mean power spectrum over channels and stretches (each stretch of the same weight), and its step in Hz."""
    group = max(1, rate // LOW_RATE)
    low_rate = rate / group
    length = int(STRETCH_S * low_rate)
    total = np.zeros(length + 1)
    pending = np.zeros((0, 1))
    count = 0
    for means in low_rate_frames(blocks, group):
        pending = np.concatenate([pending, means]) if len(pending) else means
        while len(pending) >= length:
            total += _spectrum(pending[:length], length)
            count += 1
            pending = pending[length // 2 :]
    if not count and len(pending) >= SHORTEST_S * low_rate:
        total += _spectrum(pending, length)
        count = 1
    return (total / count if count else None), low_rate / (2.0 * length)


def _spectrum(stretch: NDArray[np.float64], length: int) -> NDArray[np.float64]:
    """Power spectrum (length + 1,) of a stretch, twice interpolated, divided by its power."""
    stretch = stretch - stretch.mean(axis=0)
    spectra = np.abs(np.fft.rfft(stretch * np.hanning(len(stretch))[:, None], 2 * length, axis=0)) ** 2
    return spectra.mean(axis=1) / (np.mean(stretch**2) + 1e-30)


def _line(spectrum: NDArray[np.float64], hz: float, resolution: float) -> tuple[float, float]:
    """Height in dB and frequency of the highest line within 1 % of ``hz``."""

    def bins(low: float, high: float) -> slice:
        return slice(round(low / resolution), round(high / resolution) + 1)

    within = bins(0.99 * hz, 1.01 * hz)
    at = within.start + int(np.argmax(spectrum[within]))
    found = at * resolution
    around = np.concatenate(
        [spectrum[bins(found - FAR_HZ, found - NEAR_HZ)], spectrum[bins(found + NEAR_HZ, found + FAR_HZ)]]
    )
    below, peak, above = np.log(spectrum[at - 1 : at + 2] + 1e-300)
    bend = below - 2.0 * peak + above
    if peak < below or peak < above or bend >= 0.0:
        return 0.0, hz  # the flank of something else
    if spectrum[at] < power_of(ABOVE_OTHERS_DB) * np.max(around, initial=0.0):
        return 0.0, hz
    height = power_db(spectrum[at] / (np.median(around) + 1e-300))
    return float(height), float(found + 0.5 * (below - above) / bend * resolution)
