"""Readings of a take: where beats and bars could lie, and how likely each is.

A reading is a strict grid or beats that follow the player, with the beat on which a bar begins. Its score is the sum of
its features (`features`), each times its weight (`weights`). Readings, and the chance that none is right, have
probabilities in the ratio of their exponentiated scores: a conditional logit model (D. McFadden, "Conditional Logit
Analysis of Qualitative Choice Behavior", 1974). How likely beats are, is the sum over all readings that have them.
"""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from thumbline.dsp.beats.bend import followed, places, times_at
from thumbline.dsp.beats.evidence import Moments
from thumbline.dsp.beats.features import MOST_MOMENTS, NAMES, Metre, features, timing_of
from thumbline.dsp.beats.grid import DIVISIONS, NEAR_S, grids, grids_at, suggested_periods
from thumbline.dsp.beats.weights import NONE, NONE_PER_HUNDRED, WEIGHTS

#: A strict grid that is so many nats better than no beat needs no bending.
GOOD_ENOUGH = 9.0
#: Two readings have the same beats if, where they are compared, beats last as long within this share and lie as near to
#: each other as this share of a beat.
SAME_TEMPO, SAME_PHASE = 0.02, 0.15
#: A take that is cut to the bars of its click begins with a bar line (common practice, no source): the share of takes
#: that are, as a plain guess, and how far players may be off their click, s.
CUT_TO_BARS, OFF_CLICK_S = 0.2, 0.04
#: At how many moments they are compared, and of how many readings.
PROBES, MOST_COMPARED = 5, 80
#: Beats that follow the player are tried at half the pace if they are so many, at twice if they last so long, s.
FEWEST_HALVED, SHORTEST_DOUBLED_S = 8, 0.5
#: A whole number of beats per minute is preferred within this share, if it explains the take worse by no more nats.
WHOLE_WITHIN, WHOLE_COSTS = 0.004, 3.0

#: Weights of the features, then the score of the chance that no reading is right: at all, and for a hundred moments.
FITTED = np.array([*(WEIGHTS[name] for name in NAMES), NONE, NONE_PER_HUNDRED])


@dataclass(frozen=True)
class Beat:
    """Beats, and how they were found."""

    times_s: NDArray[np.float64]  #: rising, two or more
    bar_line: int  #: index of a beat on which a bar begins
    steady: bool  #: whether they are a strict grid
    likely: float  #: how likely it is that these are the beats; the bar is not judged


@dataclass(frozen=True)
class Family:
    """Readings that differ in where a bar begins: each place of the bar in turn."""

    times_s: NDArray[np.float64]  #: rising beats
    origin: int  #: index of the beat at which place 0 lies
    parts: int  #: places per beat
    features: NDArray[np.float32]  #: (places, features)
    steady: bool

    @property
    def score(self) -> NDArray[np.float64]:
        """(places,) how good each reading is, nats."""
        score = self.features.astype(np.float64) @ FITTED[:-2]
        return score + self._cut_to_bars() if self.steady else score

    def _cut_to_bars(self) -> NDArray[np.float64]:
        """(places,) how much likelier each place is for where the first frame lies; it says nothing of the tempo."""
        places = len(self.features)
        part_s = float(self.times_s[1] - self.times_s[0]) / self.parts
        bar_s = places * part_s
        off_s = (self.times_s[self.origin] + part_s * np.arange(places) + 0.5 * bar_s) % bar_s - 0.5 * bar_s
        near = np.abs(off_s) < OFF_CLICK_S
        share = near / near.mean() if near.any() else np.ones(places)
        return np.log(1.0 - CUT_TO_BARS + CUT_TO_BARS * share)

    def beats(self, part: int) -> NDArray[np.float64]:
        """Times of the beats if they lie so many parts of a beat later."""
        return times_at(self.times_s, np.arange(len(self.times_s) - 1) + part / self.parts)


def likeliest(moments: Moments, beats_per_bar: int) -> Beat | None:
    """The likeliest beats; None if no reading could be tried."""
    families = list(strict_readings(moments, beats_per_bar))
    none = float(FITTED[-2] + FITTED[-1] * min(len(moments), MOST_MOMENTS) / 100.0)
    strict = max(families, key=lambda family: float(family.score.max()), default=None)
    if strict is None or float(strict.score.max()) < none + GOOD_ENOUGH or not _holds(strict, moments.time_s):
        families += bent_readings(moments, beats_per_bar)
    return _best(families, moments, none)


def likeliest_at(moments: Moments, period_s: float, beats_per_bar: int) -> Beat:
    """The likeliest beats of exactly ``period_s``."""
    best = _best(list(strict_readings(moments, beats_per_bar, period_s)), moments, -np.inf, tempo_is_given=True)
    assert best is not None
    return best


def _holds(strict: Family, time_s: NDArray[np.float64]) -> bool:
    """Whether a strict grid explains every stretch of the take better than no grid does."""
    part_s = float(strict.times_s[1] - strict.times_s[0]) / strict.parts
    off_s = (time_s - strict.times_s[0] + 0.5 * part_s) % part_s - 0.5 * part_s
    stretches = np.array_split(off_s, min(PROBES, len(off_s)))
    return all(timing_of(each[np.newaxis], np.full((1, len(each)), part_s))[0][0] > 0.0 for each in stretches)


def strict_readings(moments: Moments, beats_per_bar: int, period_s: float | None = None) -> Iterator[Family]:
    """Strict grids; of beats that last ``period_s``, if that is known."""
    time_s = moments.time_s
    suggested = suggested_periods(time_s) if period_s is None else np.zeros(0)
    for parts in DIVISIONS:
        found = grids(time_s, suggested, parts) if period_s is None else grids_at(time_s, period_s, parts)
        if not len(found):
            continue
        at = (time_s - found.phase_s[:, np.newaxis]) / found.period_s[:, np.newaxis]
        metre = Metre(beats_per_bar, parts)
        rows = features(moments, at, found.period_s[:, np.newaxis], metre, bends=False)
        first, last = np.floor(at[:, 0]).astype(int) - 1, np.ceil(at[:, -1]).astype(int) + 2
        for i, row in enumerate(rows):
            beats = found.phase_s[i] + found.period_s[i] * np.arange(first[i], last[i] + 1)
            yield Family(beats, -int(first[i]), parts, row, steady=True)


def bent_readings(moments: Moments, beats_per_bar: int) -> Iterator[Family]:
    """Beats that follow the player, at their own pace, half and twice of it."""
    for parts in DIVISIONS:
        metre = Metre(beats_per_bar, parts)
        found = followed(moments, metre)
        for beats in _paces(found) if found is not None else ():
            lengths = np.diff(beats)
            at = places(beats, moments.time_s)
            beat_s = lengths[np.clip(np.floor(at).astype(np.int64), 0, len(lengths) - 1)]
            row = features(moments, at[np.newaxis], beat_s[np.newaxis], metre, bends=True)[0]
            yield Family(beats, 0, parts, row, steady=False)


def _paces(beats: NDArray[np.float64]) -> Iterator[NDArray[np.float64]]:
    yield beats
    if len(beats) >= FEWEST_HALVED:
        yield beats[::2]
    if np.median(np.diff(beats)) > SHORTEST_DOUBLED_S:
        yield times_at(beats, 0.5 * np.arange(2 * len(beats) - 1))


def _best(families: list[Family], moments: Moments, none: float, *, tempo_is_given: bool = False) -> Beat | None:
    if not families:
        return None
    scores = [family.score for family in families]
    most = max(none, *(float(score.max()) for score in scores))
    # Of each family and each part of a beat at which beats may lie: how likely that is.
    masses = [
        np.exp(score - most).reshape(-1, family.parts).sum(axis=0)
        for family, score in zip(families, scores, strict=True)
    ]
    total = sum(float(mass.sum()) for mass in masses) + float(np.exp(none - most))
    entries = [(float(mass[part]), i, part) for i, mass in enumerate(masses) for part in range(len(mass))]
    entries = sorted(entries, key=lambda entry: -entry[0])[:MOST_COMPARED]
    probes_s = np.linspace(moments.time_s[0], moments.time_s[-1], PROBES)
    alike = _alike([families[i].beats(part) for _, i, part in entries], probes_s)
    mass = np.array([entry[0] for entry in entries])
    summed = np.array([mass[same].sum() for same in alike])
    chosen = int(np.argmax(summed))
    group = [k for k in range(len(entries)) if alike[chosen][k]]
    strict = sum(mass[k] for k in group if families[entries[k][1]].steady)
    steady = strict >= 0.5 * summed[chosen]
    k = max((k for k in group if families[entries[k][1]].steady == steady), key=lambda k: mass[k])
    _, i, part = entries[k]
    family = families[i]
    beat = int(np.argmax(scores[i].reshape(-1, family.parts)[:, part]))
    beats = family.beats(part)
    if steady and not tempo_is_given:
        beats = _with_whole_bpm(beats, family.parts, moments.time_s)
    return Beat(beats, family.origin + beat, bool(steady), float(summed[chosen] / total))


def _with_whole_bpm(beats: NDArray[np.float64], parts: int, time_s: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the grid at the nearest whole number of beats per minute if that explains the moments about as well.

    Clicks are set to whole numbers (common practice, no source), and a fit to a short take is less exact.
    """
    period_s = float(beats[1] - beats[0])
    whole_s = 60.0 / round(60.0 / period_s)
    if abs(period_s / whole_s - 1.0) > WHOLE_WITHIN:
        return beats
    middle = int(np.argmin(np.abs(beats - 0.5 * (time_s[0] + time_s[-1]))))
    moved = beats[middle] + whole_s * (np.arange(len(beats)) - middle)
    worth: list[float] = []
    for each in (beats, moved):
        part_s = float(each[1] - each[0]) / parts
        off_s = (time_s - each[0] + 0.5 * part_s) % part_s - 0.5 * part_s
        if each is moved:
            weight = np.exp(-0.5 * (off_s / NEAR_S) ** 2)
            late_s = float((weight * off_s).sum() / weight.sum())
            moved, off_s = moved + late_s, off_s - late_s
        worth.append(float(timing_of(off_s[np.newaxis], np.full((1, len(off_s)), part_s))[0][0]))
    return moved if worth[1] >= worth[0] - WHOLE_COSTS else beats


def _alike(readings: list[NDArray[np.float64]], probes_s: NDArray[np.float64]) -> NDArray[np.bool_]:
    """(readings, readings): whether two of them, given by their beats, have the same."""
    period_s = np.array([np.median(np.diff(beats)) for beats in readings])
    at = np.stack([places(beats, probes_s) for beats in readings])
    off = (at[:, np.newaxis] - at + 0.5) % 1.0 - 0.5
    return (np.abs(period_s[:, np.newaxis] / period_s - 1.0) < SAME_TEMPO) & np.all(np.abs(off) < SAME_PHASE, axis=2)
