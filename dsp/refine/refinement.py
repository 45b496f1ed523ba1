"""Refine a rig: search thresholds, and whether to measure bleed and levels anew, on takes whose notes are known.

The search makes accuracy (`known_takes.Outcome`) as high as it can, in this order:

1. the rig as it is, or with bleed, or levels and thresholds, or all of them, measured anew;
2. all thresholds to begin, then all to stop, moved together: to the middle of the range of shifts that costs nothing
   (the plateau), unless they are near it;
3. strictness, proof and hold, where that gains;
4. the thresholds of one string at a time, of the strings on which something is wrong.

A rig is changed only if that gains on what the search has not seen: each take is scored with a rig that was searched on
the others (cross-validation); a single take is cut into pieces for that. Unless the lower end of the gain's confidence
interval lies above zero the rig is left as it was. Takes that are set apart choose nothing: they only tell how good it
is (`gain`).
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cache

import numpy as np

from thumbline.dsp.refine.gain import PIECES_A_STRETCH, Interval, gains, one_take
from thumbline.dsp.refine.known_takes import KnownTake, Outcome, together
from thumbline.dsp.refine.search import Share, Trials, search
from thumbline.dsp.rig.model import Rig

MOST_FOLDS = 4

#: Returns the rig with everything measured anew from these takes (indices into all).
Measure = Callable[[Sequence[int]], Rig]


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
    measured = cache(measure)
    refined = search(rig, measured(tuple(range(len(takes)))), trials, seen, steps.append)
    before: list[Outcome] = []
    after: list[Outcome] = []
    for number, (searched, held) in enumerate(folds, 1):
        progress(number / (len(folds) + 1))
        fold_rig = search(rig, measured(tuple(sorted({share.take for share in searched}))), trials, searched)
        before += [trials.outcome(rig, [share]) for share in held]
        after += [trials.outcome(fold_rig, [share]) for share in held]
    progress(1.0)
    if len(takes) == 1:
        before, after = [one_take(before)], [one_take(after)]
    gained = gains(before, after)
    if refined != rig and gained[0].sure <= 0.0:
        steps.append(f"left as it was: where the search has not looked, that gains {_in_points(gained[0])}")
        refined, after = rig, before
    if apart:
        found = Refined(refined, together(before), together(after), *gained, steps=tuple(steps), unseen=unseen)
        return scored_apart(found, rig, refined, apart)
    if refined == rig:
        gained = gains(before, before)
    return Refined(refined, together(before), together(after), *gained, steps=tuple(steps), unseen=unseen)


def _in_points(gain: Interval) -> str:
    return f"{100 * gain.value:+.2f} [{100 * gain.low:+.2f}, {100 * gain.high:+.2f}] points"


def scored_apart(found: Refined, before: Rig, after: Rig, apart: Sequence[KnownTake]) -> Refined:
    """Return what came of a search with its gain told by takes ``apart``, on which both rigs are complete."""
    trials, shares = Trials(apart), [Share(index) for index in range(len(apart))]
    old, new = ([trials.outcome(rig, [share]) for share in shares] for rig in (before, after))
    return Refined(
        found.rig, together(old), together(new), *gains(old, new), found.steps, f"{_takes(len(apart))} set apart"
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
