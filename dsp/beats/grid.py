"""Strict grids: the periods and phases that a take played to a click could have.

The spectrum of the onsets (each a unit pulse) has its peaks where something is periodic: beats, their parts and
multiples. Each peak is taken for each of these; period and phase are then fitted to all onsets by least squares, where
an onset far from the grid counts little. So the grid is the click's: no beat moves to a note.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

#: Tempos that are looked for.
SLOWEST_BPM, FASTEST_BPM = 42.0, 240.0
#: Frequencies at which onsets may be periodic, Hz, how fine they are looked at, and how many peaks are tried.
LOWEST_HZ, HIGHEST_HZ, FINENESS, PEAKS = 1.2, 14.0, 8, 20
#: Frames per second of the onset train.
TRAIN_RATE = 400
#: Parts of a beat of which a peak may be the rate.
PARTS = (1, 2, 3, 4, 6, 8)
#: An onset this far from the grid counts 0.6 in the fit, s; and how often the fit is repeated.
NEAR_S, ROUNDS = 0.03, 4
#: The fit may change a period by this share.
WIDEST_CHANGE = 0.01
#: Parts of a beat: 4, or 3 where eighths swing or a beat has three of them.
DIVISIONS = (4, 3)
#: Two grids are one if they are nowhere in the take farther apart than this, s.
SAME_S = 0.012


@dataclass(frozen=True)
class Grids:
    """Strict grids; a beat begins somewhere on each."""

    period_s: NDArray[np.float64]  #: (grids,) of a beat
    phase_s: NDArray[np.float64]  #: (grids,) a part of a beat begins here
    parts: int  #: per beat

    def __len__(self) -> int:
        return len(self.period_s)


def grids(time_s: NDArray[np.float64], suggested_s: NDArray[np.float64], parts: int) -> Grids:
    """Grids of beats of ``parts`` parts, about as long as one of ``suggested_s``, fitted to onsets (rising)."""
    period_s = np.repeat(suggested_s, 3)
    harmonic = np.tile(np.array([1, 2, parts]), len(period_s) // 3)
    fitted, phase_s = _fit(time_s, period_s, parts, _phase(time_s, period_s / harmonic))
    good = (fitted >= 60.0 / FASTEST_BPM) & (fitted <= 60.0 / SLOWEST_BPM)
    return _distinct(time_s, Grids(fitted[good], phase_s[good], parts))


def grids_at(time_s: NDArray[np.float64], period_s: float, parts: int) -> Grids:
    """The grids whose beats last exactly ``period_s``."""
    harmonic = np.array([1, 2, parts])
    part_s = period_s / parts
    phase_s = _phase(time_s, period_s / harmonic)
    for _ in range(ROUNDS):
        off = (time_s - phase_s[:, np.newaxis] + 0.5 * part_s) % part_s - 0.5 * part_s
        weight = np.exp(-0.5 * (off / NEAR_S) ** 2)
        phase_s = phase_s + (weight * off).sum(axis=1) / weight.sum(axis=1)
    return _distinct(time_s, Grids(np.full(3, period_s), phase_s, parts))


def _distinct(time_s: NDArray[np.float64], found: Grids) -> Grids:
    """Leave one of those that are the same over the take; phases are put next to its middle."""
    middle_s, half_s = 0.5 * float(time_s[0] + time_s[-1]), 0.5 * float(time_s[-1] - time_s[0])
    part_s = found.period_s / found.parts
    phase_s = found.phase_s + part_s * np.rint((middle_s - found.phase_s) / part_s)
    kept: list[int] = []
    for i in np.argsort(found.period_s, kind="stable").tolist():
        for k in reversed(kept):
            drift_s = (part_s[i] - part_s[k]) * half_s / part_s[i]
            if drift_s > SAME_S:
                kept.append(i)
                break
            apart_s = abs((phase_s[i] - phase_s[k] + 0.5 * part_s[k]) % part_s[k] - 0.5 * part_s[k])
            if apart_s + drift_s < SAME_S:
                break
        else:
            kept.append(i)
    return Grids(found.period_s[kept], phase_s[kept], found.parts)


def suggested_periods(time_s: NDArray[np.float64]) -> NDArray[np.float64]:
    """Periods that a beat may have, by the spectrum of the onsets."""
    train = np.bincount(np.rint((time_s - time_s[0]) * TRAIN_RATE).astype(np.int64)).astype(np.float64)
    size = 1 << int(np.ceil(np.log2(FINENESS * (len(train) + TRAIN_RATE))))
    spectrum = np.abs(np.fft.rfft(train, size))
    hz = np.arange(len(spectrum)) * TRAIN_RATE / size
    peak = 1 + np.flatnonzero((spectrum[1:-1] > spectrum[:-2]) & (spectrum[1:-1] >= spectrum[2:]))
    peak = peak[(hz[peak] >= LOWEST_HZ) & (hz[peak] <= HIGHEST_HZ)]
    peak = peak[np.argsort(-spectrum[peak], kind="stable")][:PEAKS]
    rising = np.sort((np.array(PARTS)[:, np.newaxis] / hz[peak]).ravel())
    rising = rising[(rising >= 60.0 / FASTEST_BPM) & (rising <= 60.0 / SLOWEST_BPM)]
    length_s = float(time_s[-1] - time_s[0]) + 2.0
    kept: list[float] = []
    for period_s in rising.tolist():
        if not kept or (period_s - kept[-1]) * length_s > 0.1 * period_s**2:
            kept.append(period_s)
    return np.array(kept)


def _phase(time_s: NDArray[np.float64], period_s: NDArray[np.float64]) -> NDArray[np.float64]:
    """Mean phase of the onsets in each period."""
    turns = np.exp(2j * np.pi * time_s / period_s[:, np.newaxis]).sum(axis=1)
    return np.angle(turns) / (2.0 * np.pi) * period_s


def _fit(
    time_s: NDArray[np.float64], period_s: NDArray[np.float64], parts: int, phase_s: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Fit periods and phases to the onsets; where a fit goes astray it stops."""
    part_s = period_s / parts
    for _ in range(ROUNDS):
        place = np.rint((time_s - phase_s[:, np.newaxis]) / part_s[:, np.newaxis])
        off_s = time_s - phase_s[:, np.newaxis] - place * part_s[:, np.newaxis]
        weight = np.exp(-0.5 * (off_s / NEAR_S) ** 2)
        total = weight.sum(axis=1)
        mean_place, mean_s = (weight * place).sum(axis=1) / total, (weight @ time_s) / total
        from_mean = place - mean_place[:, np.newaxis]
        spread = (weight * from_mean**2).sum(axis=1)
        fitted = (weight * from_mean * time_s).sum(axis=1) / np.maximum(spread, 1e-9)
        good = (spread > 0.0) & (np.abs(fitted / part_s - 1.0) <= WIDEST_CHANGE)
        part_s = np.where(good, fitted, part_s)
        phase_s = np.where(good, mean_s - mean_place * part_s, phase_s)
    return part_s * parts, phase_s
