"""Refine a rig: search thresholds, and whether to measure bleed and levels anew, on takes whose notes are known.

The search makes accuracy (`known_takes.Outcome`) as high as it can, in this order:

1. the rig as it is, or with bleed, or levels and thresholds, or all of them, measured anew;
2. all thresholds to begin, then all to stop, moved together: to the middle of the range of shifts that costs nothing
   (the plateau), unless they are near it;
3. the thresholds of one string at a time, only where that finds what was missed.

How good that is must be told by takes that the search has not seen. Either some are set apart, or each take is scored
with a rig that was searched on the others (cross-validation); a single take is cut into pieces for that. The confidence
interval of the gain is a percentile bootstrap over pieces of ``known_takes.PIECE_S``, drawn in pairs (B. Efron and
R. J. Tibshirani, "An Introduction to the Bootstrap", 1993, chapter 13).
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from thumbline.dsp.refine.known_takes import KnownTake, Outcome, f_measure, path_right, together
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
    """A difference, and its confidence interval."""

    value: float
    low: float
    high: float


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
    every = [*takes, *apart]
    trials = Trials(every)
    seen = [Share(index) for index in range(len(takes))]
    folds, unseen = _folds(takes, apart, groups)
    steps: list[str] = []
    refined = search(rig, measure(range(len(takes))), trials, seen, steps.append)
    before: list[Outcome] = []
    after: list[Outcome] = []
    for number, (searched, held) in enumerate(folds, 1):
        progress(number / (len(folds) + 1))
        if searched == seen:
            fold_rig = refined
        else:
            fold_rig = search(rig, measure(sorted({share.take for share in searched})), trials, searched)
        before.append(trials.outcome(rig, held))
        after.append(trials.outcome(fold_rig, held))
    progress(1.0)
    old, new = together(before), together(after)
    if new.accuracy < old.accuracy:
        refined, new = rig, old
        steps.append("that loses where the search has not looked, so the rig is left as it was")
    return Refined(refined, old, new, *_gains(old, new), steps=tuple(steps), unseen=unseen)


def scored_apart(found: Refined, before: Rig, after: Rig, apart: Sequence[KnownTake]) -> Refined:
    """Return what came of a search with its gain told by takes ``apart``, on which both rigs are complete."""
    trials, shares = Trials(apart), [Share(index) for index in range(len(apart))]
    old, new = trials.outcome(before, shares), trials.outcome(after, shares)
    return Refined(found.rig, old, new, *_gains(old, new), found.steps, f"{_takes(len(apart))} set apart")


def _folds(
    takes: Sequence[KnownTake], apart: Sequence[KnownTake], groups: Sequence[Sequence[int]]
) -> tuple[list[tuple[list[Share], list[Share]]], str]:
    """Return what to search on and what to score on, fold by fold, and the same in words."""
    count = len(takes)
    seen = [Share(index) for index in range(count)]
    if apart:
        held = [Share(count + index) for index in range(len(apart))]
        return [(seen, held)], f"{_takes(len(apart))} set apart"
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


def _gains(before: Outcome, after: Outcome) -> tuple[Interval, Interval, Interval]:
    """Return the gain in accuracy, path and F with their intervals; both outcomes are drawn alike."""
    pieces = len(before.counts)
    draws = np.random.default_rng(SEED).multinomial(pieces, np.full(pieces, 1.0 / pieces), DRAWS)
    drawn = [draws @ each.counts for each in (before, after)]
    old, new = ((path_right(each), f_measure(each)) for each in drawn)
    paths, fs = new[0] - old[0], new[1] - old[1]
    tail = 100.0 * (1.0 - LEVEL) / 2.0

    def interval(value: float, drawn_values: np.ndarray) -> Interval:
        low, high = np.percentile(drawn_values, [tail, 100.0 - tail])
        return Interval(value, float(low), float(high))

    return (
        interval(after.accuracy - before.accuracy, (paths + fs) / 2.0),
        interval(after.path_right - before.path_right, paths),
        interval(after.f - before.f, fs),
    )
