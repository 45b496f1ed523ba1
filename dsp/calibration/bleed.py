"""How much of each string is heard in the channels of the others, found from playing.

A pickup under one string also hears its neighbours: ``channels = B @ strings`` with a mixing matrix B of real numbers
(ones on the diagonal; signs follow the coils' polarity). While string i is silent, its channel holds nothing but what
the others leave there, so there is a row of weights c with ``x_i = sum_j c_j x_j``, and ``x_i - sum_j c_j x_j`` is the
string alone whenever it does sound. These rows are the rows of the inverse of B, up to their length.

Nobody says when string i is silent. The weights minimise ``sum over blocks of log(residual power + floor)``, which lets
the blocks in which the row explains the channel count and forgets the others; the minimum is found by iteratively
reweighted least squares (Holland and Welsch, "Robust regression using iteratively reweighted least-squares", Commun.
Statist. A6, 1977; the weights are those of the Cauchy, or Geman-McClure type, loss). Only second moments of short
blocks are needed, so an hour of playing fits in a few megabytes.
"""

import numpy as np
from numpy.typing import NDArray

#: A string that never comes within this share (amplitude) of the loudest channel has not been played: bleed is less.
PLAYED_SHARE = 0.35
#: ... in at least this many blocks,
PLAYED_BLOCKS = 10
#: which stand this far above the floor (power).
PLAYED_ABOVE_FLOOR = 30.0
#: Bleed before anything is heard of it: normally distributed about none, with this deviation (amplitude).
LIKELY_BLEED = 0.03
#: A residual of this many times the floor's power is as good as none.
FORGIVEN = 4.0
#: Greatest bleed that is believed: the sum of what all others leave in a channel.
MOST_BLEED = 0.8
#: With all channels equally loud (in this percentile of the blocks) so much may be bleed all the same ...
LOUD_PERCENTILE, MOST_IN_ALL = 99.0, 2.0
#: ... if each string that leaves more than this (amplitude) was heard this much louder (power), as often as one played.
MUCH, CLEARLY = 0.1, 10.0 ** (4 / 10)
#: A rig takes no more than this of one string in the channel of another (amplitude).
MOST_OF_ONE = 1.0
_ITERATIONS = 100
_TOLERANCE = 1e-7


def played_strings(moments: NDArray[np.float64], floor: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Tell which strings were played at all.

    ``moments``: (blocks, n, n) mean products of the channels in each block; ``floor``: (n,) power of silence.
    """
    power = np.einsum("bii->bi", moments)
    n = power.shape[1]
    played = np.zeros(n, np.bool_)
    for j in range(n):
        others = np.delete(power, j, axis=1).max(axis=1, initial=0.0)
        loud = (power[:, j] > PLAYED_SHARE**2 * others) & (power[:, j] > PLAYED_ABOVE_FLOOR * floor[j])
        played[j] = np.count_nonzero(loud) >= PLAYED_BLOCKS
    return played


def estimate_bleed(moments: NDArray[np.float64], floor: NDArray[np.float64]) -> NDArray[np.float64]:
    """Estimate B (n, n) from block moments (blocks, n, n) and the power of silence (n,).

    Column j is how much of string j arrives in each channel; ones on the diagonal. Columns of strings that were not
    played, and rows that are not believed (`measure_bleed`), are taken as no bleed.
    """
    return measure_bleed(moments, floor)[0]


def measure_bleed(
    moments: NDArray[np.float64], floor: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.bool_]]:
    """Return B as `estimate_bleed` does, and (n,) which rows of it are not believed.

    A row beyond ``MOST_BLEED`` is that of a channel that hears the same as the others (a knock on the body), of one
    whose input is much hotter, or of a pickup that bleeds that much. So it is looked at again with all channels made
    equally loud, and is then believed up to ``MOST_IN_ALL`` if each string that it names was also heard clearly louder
    than the channel's own.
    """
    n = moments.shape[1]
    played = played_strings(moments, floor)
    unmix, doubted = np.eye(n), np.zeros(n, np.bool_)
    loud = loudness(moments, played)
    for i in range(n):
        others = np.array([j for j in range(n) if j != i and played[j]], int)
        if not len(others):
            continue
        cross, own = moments[:, i, others], moments[:, i, i]
        weights = _explain(own, cross, moments[:, others][:, :, others], floor[i])
        if np.abs(weights).sum() > MOST_BLEED:
            scale = loud[i] / loud[others]  # weights of channels that are equally loud are these times theirs
            level = moments / (loud[:, np.newaxis] * loud)
            even = _explain(
                level[:, i, i], level[:, i, others], level[:, others][:, :, others], floor[i] / loud[i] ** 2
            )
            weights = even * scale
            doubted[i] = not _is_believed(even, level[:, i, i], np.einsum("bii->bi", level)[:, others])
        if not doubted[i]:
            unmix[i, others] = -weights
    mixing = _mixing(unmix)
    too_much = np.abs(mixing - np.eye(n)).max(axis=1) > MOST_OF_ONE
    if too_much.any():
        doubted |= too_much
        unmix[too_much] = np.eye(n)[too_much]
        mixing = _mixing(unmix)
    even = np.abs(mixing * loud / loud[:, np.newaxis] - np.eye(n)).max(initial=0.0)
    if min(even, np.abs(mixing - np.eye(n)).max(initial=0.0)) > MOST_BLEED:
        return np.eye(n), played
    return mixing, doubted


def _mixing(unmix: NDArray[np.float64]) -> NDArray[np.float64]:
    mixing = np.linalg.inv(unmix)
    return np.asarray(mixing / np.diag(mixing), np.float64)


def loudness(moments: NDArray[np.float64], played: NDArray[np.bool_]) -> NDArray[np.float64]:
    """Amplitude (n,) of each channel in its loudest blocks; of one that is not played, that of the others."""
    power = np.percentile(np.einsum("bii->bi", moments), LOUD_PERCENTILE, axis=0)
    usual = float(np.median(power[played])) if played.any() else 1.0
    return np.sqrt(np.where(played & (power > 0.0), power, max(usual, 1e-30)))


def _is_believed(weights: NDArray[np.float64], own: NDArray[np.float64], others: NDArray[np.float64]) -> bool:
    """Whether a row is bleed, by the powers of its ``own`` channel (blocks,) and of the ``others`` (blocks, others)."""
    if np.abs(weights).sum() > MOST_IN_ALL:
        return False
    loudest = others == others.max(axis=1, keepdims=True)
    alone = np.count_nonzero(loudest & (others > CLEARLY * own[:, np.newaxis]), axis=0)
    return bool((alone[np.abs(weights) > MUCH] >= PLAYED_BLOCKS).all())


def _explain(
    own: NDArray[np.float64], cross: NDArray[np.float64], others: NDArray[np.float64], floor: float
) -> NDArray[np.float64]:
    """Weights of the other channels that explain a channel in the blocks in which its string is silent."""
    weights = np.zeros(cross.shape[1])
    for _ in range(_ITERATIONS):
        residual = own - 2.0 * cross @ weights + np.einsum("bij,i,j->b", others, weights, weights)
        trust = 1.0 / (np.maximum(residual, 0.0) + FORGIVEN * floor)
        normal = np.einsum("b,bij->ij", trust, others)
        normal += np.eye(len(normal)) / (2.0 * LIKELY_BLEED**2)
        new = np.linalg.solve(normal, trust @ cross)
        moved = np.abs(new - weights).max()
        weights = new
        if moved < _TOLERANCE:
            break
    return weights


def unmixed_power(moments: NDArray[np.float64], bleed: NDArray[np.float64]) -> NDArray[np.float64]:
    """Power of each string in each block (blocks, n) once the bleed is taken out."""
    unmix = np.linalg.inv(bleed)
    return np.einsum("ij,bjk,ik->bi", unmix, moments, unmix)
