"""How a take of single strings was played: how long each string is heard alone, and what is left of it in the others.

Everything is read from mean products of the channels in short blocks, as bleed is.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from thumbline.dsp.calibration.bleed import loudness, unmixed_power
from thumbline.dsp.decibels import power_db, power_of

#: A string sounds in a block that stands this far above its floor and is at most ``ALONE_DB`` softer than the loudest
#: string, each against its channel's loudest and without bleed. It is heard alone if all others are that much softer,
#: in dB.
SOUNDS_DB, ALONE_DB = 20.0, 6.0
#: What is left is measured in blocks this far above the floor, in so many at least, and never shown as less, in dB.
CLEAR_DB, LEAST_BLOCKS, LEAST_LEFT_DB = 40.0, 10, -100.0
#: Two channels hold the same sound if they agree so well over the whole take (squared correlation).
SAME = 0.98


@dataclass(frozen=True)
class Isolation:
    """Of n strings, string 1 first."""

    sounds: NDArray[np.int_]  #: (n,) blocks in which the string sounds
    alone: NDArray[np.int_]  #: (n,) those of them in which it is heard alone
    left_db: NDArray[np.float64]  #: (n, n) string j, while it is alone, in channel i once bleed is removed; NaN unknown
    same: tuple[tuple[int, ...], ...]  #: groups of strings, from 1, whose channels hold the same sound


def measure_isolation(
    moments: NDArray[np.float64], bleed: NDArray[np.float64], floor: NDArray[np.float64], played: NDArray[np.bool_]
) -> Isolation:
    """Measure it from block moments (blocks, n, n), the bleed (n, n), and the channels' power of silence (n,)."""
    power = np.maximum(unmixed_power(moments, bleed), 0.0)
    n = power.shape[1]
    share = power / loudness(moments, played) ** 2
    near = share > power_of(-ALONE_DB) * share.max(axis=1, keepdims=True)
    sounds = (power > power_of(SOUNDS_DB) * floor) & near & played
    alone = sounds.copy()
    for s in range(n):
        others = np.delete(share, s, axis=1).max(axis=1, initial=0.0)
        alone[:, s] &= share[:, s] > power_of(ALONE_DB) * others
    quiet = np.maximum(np.percentile(power, 5.0, axis=0), 1e-20)
    left_db = np.full((n, n), np.nan)
    for j in range(n):
        clear = alone[:, j] & (power[:, j] > power_of(CLEAR_DB) * quiet[j])
        if np.count_nonzero(clear) >= LEAST_BLOCKS:
            left = np.median(np.maximum(power[clear] - 2.0 * quiet, 0.0) / power[clear, j][:, np.newaxis], axis=0)
            left_db[:, j] = power_db(left, power_of(LEAST_LEFT_DB))
            left_db[j, j] = np.nan
    return Isolation(sounds.sum(axis=0), alone.sum(axis=0), left_db, _same(moments, played))


def _same(moments: NDArray[np.float64], played: NDArray[np.bool_]) -> tuple[tuple[int, ...], ...]:
    whole = moments.sum(axis=0)
    own = np.maximum(np.diag(whole), 1e-30)
    alike = (whole**2 > SAME * np.outer(own, own)) & played & played[:, np.newaxis]
    groups = {tuple((1 + np.flatnonzero(row)).tolist()) for row in alike}
    return tuple(sorted(group for group in groups if len(group) > 1))
