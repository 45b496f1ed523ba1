"""Strict grids: the periods and phases that a take played to a click could have, and how well each explains it.

The spectrum of the onsets (each a unit pulse) has its peaks where something is periodic: beats, their parts and
multiples. Each peak is taken for each of these; period and phase are then fitted to all onsets by least squares, where
an onset far from the grid counts little. So the grid is the click's: no beat moves to a note.
"""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from thumbline.dsp.beats.evidence import Metre, Moments, judge

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
#: A whole number of beats per minute is preferred within this share, if it explains the take worse by no more nats.
WHOLE_WITHIN, WHOLE_COSTS = 0.004, 3.0
#: Parts of a beat.
DIVISIONS = (4, 3)


@dataclass(frozen=True)
class Grid:
    """A strict grid."""

    period_s: float  #: of a beat
    phase_s: float  #: a bar begins here
    metre: Metre
    worth: float  #: how well it explains the take, nats


def grids(moments: Moments, beats_per_bar: int) -> list[Grid]:
    """Every grid that was tried, with every place of the bar as its beginning: the best first."""
    found: set[tuple[float, float, int]] = set()
    for period_s in _periods(moments.time_s):
        for parts in DIVISIONS:
            for harmonic in (1, 2, parts):
                fitted, phase_s = _fit(moments.time_s, period_s, parts, harmonic)
                if 60.0 / FASTEST_BPM <= fitted <= 60.0 / SLOWEST_BPM:
                    found.add((round(fitted, 6), round(phase_s % (fitted / parts), 4), parts))
    return _judged(moments, found, beats_per_bar)


def grids_at(moments: Moments, period_s: float, beats_per_bar: int) -> list[Grid]:
    """The grids of beats of exactly ``period_s``, with every place as the beginning of a bar: the best first."""
    found: set[tuple[float, float, int]] = set()
    for parts in DIVISIONS:
        for harmonic in (1, 2, parts):
            part_s = period_s / parts
            phase_s = _phase(moments.time_s, period_s / harmonic)
            for _ in range(ROUNDS):
                off = (moments.time_s - phase_s + 0.5 * part_s) % part_s - 0.5 * part_s
                phase_s += float(np.average(off, weights=np.exp(-0.5 * (off / NEAR_S) ** 2)))
            found.add((period_s, round(phase_s % part_s, 4), parts))
    return _judged(moments, found, beats_per_bar)


def with_whole_bpm(moments: Moments, grid: Grid) -> Grid:
    """Return the grid at the nearest whole number of beats per minute if that explains the take about as well.

    Clicks are set to whole numbers (common practice, no source), and a fit to a short take is less exact.
    """
    bpm = round(60.0 / grid.period_s)
    if abs(60.0 / grid.period_s / bpm - 1.0) > WHOLE_WITHIN:
        return grid
    near = [
        each
        for each in grids_at(moments, 60.0 / bpm, grid.metre.beats)
        if each.metre == grid.metre
        and abs(_apart(each, grid, moments.time_s)) < 0.25 * grid.period_s / grid.metre.parts
    ]
    return near[0] if near and near[0].worth >= grid.worth - WHOLE_COSTS else grid


def _apart(one: Grid, other: Grid, time_s: NDArray[np.float64]) -> float:
    """How far bar lines of two grids of nearly the same tempo are apart in the middle of the take, s."""
    middle_s, bar_s = float(np.mean(time_s)), other.period_s * other.metre.beats
    ends = [
        grid.phase_s + grid.period_s * grid.metre.beats * round((middle_s - grid.phase_s) / bar_s)
        for grid in (one, other)
    ]
    return ends[0] - ends[1]


def _judged(moments: Moments, found: set[tuple[float, float, int]], beats_per_bar: int) -> list[Grid]:
    return sorted(_turned(moments, found, beats_per_bar), key=lambda grid: -grid.worth)


def _turned(moments: Moments, found: set[tuple[float, float, int]], beats_per_bar: int) -> Iterator[Grid]:
    for period_s, phase_s, parts in sorted(found):
        metre = Metre(beats_per_bar, parts)
        judged = judge(moments, (moments.time_s - phase_s) / period_s, period_s, metre)
        for place, worth in enumerate(judged.by_place.tolist()):
            yield Grid(period_s, phase_s + place * period_s / parts, metre, worth)


def _periods(time_s: NDArray[np.float64]) -> list[float]:
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
    return kept


def _phase(time_s: NDArray[np.float64], period_s: float) -> float:
    """Mean phase of the onsets in a period."""
    return float(np.angle(np.exp(2j * np.pi * time_s / period_s).sum())) / (2.0 * np.pi) * period_s


def _fit(time_s: NDArray[np.float64], period_s: float, parts: int, harmonic: int) -> tuple[float, float]:
    """Fit period and phase to the onsets."""
    part_s, phase_s = period_s / parts, _phase(time_s, period_s / harmonic)
    for _ in range(ROUNDS):
        place = np.rint((time_s - phase_s) / part_s)
        weight = np.exp(-0.5 * ((time_s - phase_s - place * part_s) / NEAR_S) ** 2)
        mean_place, mean_s = np.average(place, weights=weight), np.average(time_s, weights=weight)
        spread = float(np.sum(weight * (place - mean_place) ** 2))
        if spread <= 0.0:
            break
        fitted = float(np.sum(weight * (place - mean_place) * (time_s - mean_s))) / spread
        if abs(fitted / part_s - 1.0) > WIDEST_CHANGE:
            break
        part_s, phase_s = fitted, float(mean_s - mean_place * fitted)
    return part_s * parts, phase_s
