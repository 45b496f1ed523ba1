"""What a search gained, and where that gain should lie on another take: the jackknife over stretches of the takes.

The 2 s in which an outcome is counted are no independent pieces: a phrase, a string, a chord lasts longer. So a take is
taken as stretches of ``PIECES_A_STRETCH`` pieces, which a search has held back or not as wholes, and each stretch, and
each take where there are several, is left out in turn (B. Efron and R. J. Tibshirani, "An Introduction to the
Bootstrap", 1993, chapter 11; the pseudo-values are J. W. Tukey's). Both variances are pooled by their degrees of
freedom; with as few as there are here the quantile is Student's, not that of the normal distribution. A percentile
bootstrap over so few pieces is too narrow (same book, chapter 12 to 14).
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.stats import t as student

from thumbline.dsp.refine.known_takes import Outcome, accuracy, f_measure, path_right

#: A take is cut into stretches of so many pieces.
PIECES_A_STRETCH = 2
LEVEL = 0.95
#: Besides what its own stretches tell, the gain on one take differs from that on others by about this share of itself:
#: they are played otherwise. Estimated from 14 searches (DESIGN.md); several takes tell it themselves.
BETWEEN_TAKES = 0.15

Measure = Callable[[NDArray[np.int_]], NDArray[np.float64]]


@dataclass(frozen=True)
class Interval:
    """A difference, and where that of another take as long should lie, 95 in 100."""

    value: float
    low: float
    high: float
    sure: float  #: what ``value`` itself, in the long run, exceeds, 95 in 100


def gains(before: Sequence[Outcome], after: Sequence[Outcome]) -> tuple[Interval, Interval, Interval]:
    """Return the gain in accuracy, path and F with their intervals, from the outcomes of each take, in pairs."""
    return tuple(_gain(before, after, each) for each in (accuracy, path_right, f_measure))  # pyright: ignore[reportReturnType]  three


def _gain(before: Sequence[Outcome], after: Sequence[Outcome], measure: Measure) -> Interval:
    stretches = [_stretches(old, new) for old, new in zip(before, after, strict=True)]
    takes = np.array([each.sum(axis=0) for each in stretches])
    value = float(_difference(takes.sum(axis=0), measure))
    variance, freedom = _pooled(
        [_left_out(parts, value, measure) for parts in (np.concatenate(stretches), takes) if len(parts) > 1]
    )
    if not freedom:  # one stretch tells nothing of others
        return Interval(value, -1.0, 1.0, -1.0)
    if len(takes) == 1:
        variance += (BETWEEN_TAKES * value) ** 2
    both_sides, one_side = (float(student.ppf(share, freedom)) for share in (0.5 + LEVEL / 2.0, LEVEL))
    another = both_sides * np.sqrt(variance * (1 + len(takes)))
    sure = value - one_side * np.sqrt(variance)
    return Interval(value, max(value - another, -1.0), min(value + another, 1.0), sure)


def one_take(parts: Sequence[Outcome]) -> Outcome:
    """Return the shares of one take, each of whole stretches and perhaps a rest, as one outcome of whole stretches."""
    return Outcome(np.concatenate([_filled(each.counts).reshape(-1, each.counts.shape[1]) for each in parts]))


def _filled(pieces: NDArray[np.int_]) -> NDArray[np.int_]:
    """Return counts of pieces, (pieces, ...), as (stretches, ``PIECES_A_STRETCH``, ...): what is missing is 0."""
    rest = [(0, -len(pieces) % PIECES_A_STRETCH), *[(0, 0)] * (pieces.ndim - 1)]
    return np.pad(pieces, rest).reshape(-1, PIECES_A_STRETCH, *pieces.shape[1:])


def _stretches(before: Outcome, after: Outcome) -> NDArray[np.int_]:
    """Return the counts of a take's stretches, (stretches, 2, columns), before and after."""
    return _filled(np.stack([before.counts, after.counts], axis=1)).sum(axis=1)


def _difference(counts: NDArray[np.int_], measure: Measure) -> NDArray[np.float64]:
    """Return how much more ``counts`` (..., 2, columns) have after than before."""
    each = measure(counts)
    return each[..., 1] - each[..., 0]


def _left_out(parts: NDArray[np.int_], value: float, measure: Measure) -> tuple[float, int]:
    """Return the jackknife's variance of ``value``, of counts (parts, 2, columns) together, and its freedom."""
    count = len(parts)
    without = _difference(parts.sum(axis=0) - parts, measure)
    pseudo_values = count * value - (count - 1) * without
    return float(np.var(pseudo_values, ddof=1)) / count, count - 1


def _pooled(variances: Sequence[tuple[float, int]]) -> tuple[float, int]:
    freedom = sum(each for _, each in variances)
    return sum(variance * each for variance, each in variances) / max(freedom, 1), freedom
