"""Whether mains hum is there, and its frequency.

Hum stands out where nobody plays, so the quietest stretches of a take are looked at: their mean spectrum has a line at
50 or 60 Hz and at multiples of it. Public mains are kept within 1 % of the nominal frequency nearly always (EN 50160,
clause 4.2.1: 50 Hz +- 1 % during 99.5 % of a year; figure from memory).
"""

from collections.abc import Iterable

import numpy as np
from numpy.typing import NDArray

NOMINAL_HZ = (50.0, 60.0)
#: Length of a stretch, in seconds: lines are then 2 Hz wide.
STRETCH_S = 1.0
#: How many of the quietest stretches count.
STRETCHES = 12
#: A line must stand this far above its surroundings, in dB.
LINE_DB = 10.0
#: Harmonics looked at; at least two lines must be found, or a fundamental of twice the height.
LOOK_AT = (1, 2, 3)


def find_mains(blocks: Iterable[NDArray[np.float64]], rate: int) -> float | None:
    """Return the frequency of the hum in Hz, or None if there is none.

    ``blocks``: consecutive frames (n, channels) of a take; only a few stretches are kept.
    """
    spectrum = _quiet_spectrum(blocks, rate)
    if spectrum is None:
        return None
    resolution = rate / (2.0 * (len(spectrum) - 1))
    best, best_hz = 0.0, None
    for nominal in NOMINAL_HZ:
        lines = [_line(spectrum, nominal * k, 0.01 * nominal * k, resolution) for k in LOOK_AT]
        heights = [height for height, _ in lines if height >= LINE_DB]
        sure = len(heights) >= 2 or lines[0][0] >= 2.0 * LINE_DB
        if sure and sum(heights) > best:
            # The highest harmonic that stands out tells the fundamental most precisely.
            k, hz = max((k, hz) for k, (height, hz) in zip(LOOK_AT, lines, strict=True) if height >= LINE_DB)
            best, best_hz = sum(heights), hz / k
    return best_hz


def _quiet_spectrum(blocks: Iterable[NDArray[np.float64]], rate: int) -> NDArray[np.float64] | None:
    """Mean power spectrum, four times interpolated, of the quietest stretches."""
    length = int(STRETCH_S * rate)
    window = np.hanning(length)
    kept: list[tuple[float, int, NDArray[np.float64]]] = []
    pending = np.zeros((0, 1))
    count = 0
    for block in blocks:
        pending = np.concatenate([pending, block]) if len(pending) else block
        while len(pending) >= length:
            stretch, pending = pending[:length], pending[length:]
            stretch = stretch - stretch.mean(axis=0)
            power = float(np.mean(stretch**2))
            count += 1
            if power > 0.0 and (len(kept) < STRETCHES or power < kept[-1][0]):
                spectra = np.abs(np.fft.rfft(stretch * window[:, None], 4 * length, axis=0)) ** 2
                kept.append((power, count, spectra.mean(axis=1)))
                kept.sort(key=lambda item: item[:2])
                del kept[STRETCHES:]
    if not kept:
        return None
    # Each stretch counts alike: one in which a note rings on must not drown the others.
    return np.mean([spectrum / power for power, _, spectrum in kept], axis=0)


def _line(
    spectrum: NDArray[np.float64], hz: float, tolerance: float, resolution: float
) -> tuple[float, float]:
    """Height in dB and frequency of the highest line within ``tolerance`` of ``hz``."""
    low, high = int(np.ceil((hz - tolerance) / resolution)), int((hz + tolerance) / resolution)
    at = low + int(np.argmax(spectrum[low : high + 1]))
    around = np.r_[spectrum[int((hz - 15) / resolution) : int((hz - 5) / resolution)],
                   spectrum[int((hz + 5) / resolution) : int((hz + 15) / resolution)]]  # fmt: skip
    if spectrum[at] < spectrum[at - 1] or spectrum[at] < spectrum[at + 1]:
        return 0.0, hz
    below, peak, above = np.log(spectrum[at - 1 : at + 2] + 1e-300)
    bend = below - 2.0 * peak + above
    shift = 0.5 * (below - above) / bend if bend < 0.0 else 0.0
    height = 10.0 * np.log10(spectrum[at] / (np.median(around) + 1e-300))
    return float(height), float((at + shift) * resolution)
