"""Refine a rig: search thresholds, and whether to measure bleed and levels anew, on takes whose notes are known.

The search makes accuracy (`known_takes.Outcome`) as high as it can, in this order:

1. the rig as it is, or with bleed, or levels and thresholds, or all of them, measured anew;
2. all thresholds to begin, then all to stop, moved together: to the middle of the range of shifts that costs nothing
   (the plateau), unless they are near it;
3. the thresholds of one string at a time, only where that finds what was missed.

4. strictness, proof and hold, where that gains, before the strings one at a time.

A rig is changed only if that gains on what the search has not seen: each take is scored with a rig that was searched on
the others (cross-validation); a single take is cut into pieces for that. Unless the lower end of the gain's confidence
interval lies above zero the rig is left as it was. Takes that are set apart choose nothing: they only tell how good it
is. The confidence interval is a percentile bootstrap in pairs, over takes and over pieces of ``known_takes.PIECE_S``
within each (B. Efron and R. J. Tibshirani, "An Introduction to the Bootstrap", 1993, chapter 13); of one take, over its
pieces. What is stated is wider: where the gain on another take as long should lie, to which its own chance belongs.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from thumbline.dsp.refine.known_takes import KnownTake, Outcome, accuracy, f_measure, path_right, together
from thumbline.dsp.refine.search import Share, Trials, search
from thumbline.dsp.rig.model import Rig

MOST_FOLDS = 4
#: A single take is cut into stretches of so many pieces; every second is set apart.
PIECES_A_STRETCH = 2
DRAWS, SEED, LEVEL = 4000, 1979, 0.95

#: Returns the rig with everything measured anew from these takes (indices into all).
Measure = Callable[[Sequence[int]], Rig]


@dataclass(frozen=True)
class Interval:
    """A difference, where that of another take as long should lie, and the lower end of its own interval."""

    value: float
    low: float
    high: float
    sure: float  #: the lower end of the confidence interval of ``value`` itself


@dataclass(frozen=True)
class Refined:
    """What came of a search."""

    rig: Rig
    before: Outcome  #: of the rig as it was, on what the search had not seen
    after: Outcome  #: of the refined rig, or those of the folds, on the same
    accuracy: Interval  #: the gain
    path_right: Interval
    f: Interval
    steps: tuple[str, ...]  #: what was done, in words
    unseen: str  #: what the outcomes were taken on, in words


def refine(
    rig: Rig,
    takes: Sequence[KnownTake],
    measure: Measure,
    apart: Sequence[KnownTake] = (),
    groups: Sequence[Sequence[int]] = (),
    progress: Callable[[float], None] = lambda share: None,
) -> Refined:
    """Refine ``rig``, in which nothing is left open, on ``takes``; ``apart`` are kept from the search.

    Takes of a group (indices) are never searched on when another of the group is scored; by default each is a group.
    """
    trials = Trials(takes)
    seen = [Share(index) for index in range(len(takes))]
    folds, unseen = _folds(takes, groups)
    steps: list[str] = []
    refined = search(rig, measure(range(len(takes))), trials, seen, steps.append)
    before: list[Outcome] = []
    after: list[Outcome] = []
    for number, (searched, held) in enumerate(folds, 1):
        progress(number / (len(folds) + 1))
        fold_rig = search(rig, measure(sorted({share.take for share in searched})), trials, searched)
        before += [trials.outcome(rig, [share]) for share in held]
        after += [trials.outcome(fold_rig, [share]) for share in held]
    progress(1.0)
    if len(takes) == 1:
        before, after = [together(before)], [together(after)]
    gains = _gains(before, after)
    if refined != rig and gains[0].sure <= 0.0:
        steps.append(f"left as it was: where the search has not looked, that gains {_in_points(gains[0])}")
        refined, after = rig, before
    if apart:
        found = Refined(refined, together(before), together(after), *gains, steps=tuple(steps), unseen=unseen)
        return scored_apart(found, rig, refined, apart)
    if refined == rig:
        gains = _gains(before, before)
    return Refined(refined, together(before), together(after), *gains, steps=tuple(steps), unseen=unseen)


def _in_points(gain: Interval) -> str:
    return f"{100 * gain.value:+.2f} [{100 * gain.low:+.2f}, {100 * gain.high:+.2f}] points"


def scored_apart(found: Refined, before: Rig, after: Rig, apart: Sequence[KnownTake]) -> Refined:
    """Return what came of a search with its gain told by takes ``apart``, on which both rigs are complete."""
    trials, shares = Trials(apart), [Share(index) for index in range(len(apart))]
    old, new = ([trials.outcome(rig, [share]) for share in shares] for rig in (before, after))
    return Refined(
        found.rig, together(old), together(new), *_gains(old, new), found.steps, f"{_takes(len(apart))} set apart"
    )


def _folds(
    takes: Sequence[KnownTake], groups: Sequence[Sequence[int]]
) -> tuple[list[tuple[list[Share], list[Share]]], str]:
    """Return what to search on and what to score on, fold by fold, and the same in words."""
    count = len(takes)
    seen = [Share(index) for index in range(count)]
    if count > 1:
        groups = groups or [group.tolist() for group in np.array_split(np.arange(count), min(count, MOST_FOLDS))]
        folds = [
            ([share for share in seen if share.take not in group], [share for share in seen if share.take in group])
            for group in groups
        ]
        return folds, f"{_takes(count)}, each scored with a rig searched on others"
    halves = [Share(0, (parity, PIECES_A_STRETCH)) for parity in (0, 1)]
    folds = [([halves[0]], [halves[1]]), ([halves[1]], [halves[0]])]
    return folds, "pieces of one take, scored with a rig searched on the pieces between them"


def _takes(count: int) -> str:
    return "1 take" if count == 1 else f"{count} takes"


def _gains(before: Sequence[Outcome], after: Sequence[Outcome]) -> tuple[Interval, Interval, Interval]:
    """Return the gain in accuracy, path and F with their intervals, from the outcomes of each take; drawn in pairs."""
    rng = np.random.default_rng(SEED)
    mean, another = (_drawn(before, after, rng, count) for count in (len(before), 1))
    old, new = together(before), together(after)
    tail = 100.0 * (1.0 - LEVEL) / 2.0

    def interval(measure: Callable[[NDArray[Any]], NDArray[np.float64]]) -> Interval:
        gain = float(measure(new.counts.sum(axis=0)) - measure(old.counts.sum(axis=0)))
        of_mean, of_another = (measure(each[1]) - measure(each[0]) for each in (mean, another))
        low, high = np.percentile(of_mean + of_another - gain, [tail, 100.0 - tail])
        return Interval(gain, float(low), float(high), float(np.percentile(of_mean, tail)))

    return interval(accuracy), interval(path_right), interval(f_measure)


def _drawn(
    before: Sequence[Outcome], after: Sequence[Outcome], rng: np.random.Generator, count: int
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return (``DRAWS``, columns) counts of ``count`` takes drawn anew, each of pieces drawn anew, before and after."""
    sums = np.zeros((2, DRAWS, len(before), before[0].counts.shape[1]))
    for index, (old, new) in enumerate(zip(before, after, strict=True)):
        pieces = len(old.counts)
        draws = rng.multinomial(pieces, np.full(pieces, 1.0 / pieces), DRAWS)
        sums[0, :, index], sums[1, :, index] = draws @ old.counts, draws @ new.counts
    takes = rng.multinomial(count, np.full(len(before), 1.0 / len(before)), DRAWS)
    drawn = np.einsum("dt,kdtc->kdc", takes, sums)
    return drawn[0], drawn[1]
