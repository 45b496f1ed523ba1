"""The plateau of a threshold: how far it may be moved without harm."""

from collections.abc import Sequence
from itertools import groupby
from operator import itemgetter

#: On the plateau at most this share of the moments is lost.
TOLERANCE = 0.005


def plateau(offsets_db: Sequence[float], right: Sequence[float], tolerance: float = TOLERANCE) -> tuple[float, float]:
    """Return the ends of the plateau: neighbouring offsets at which ``right`` is within ``tolerance`` of its best.

    Of several such stretches, the one that holds 0; or else the widest, of equals the nearest to 0. ``offsets_db``
    rises.
    """
    good = [share >= max(right) - tolerance for share in right]
    stretches = [
        (members[0][0], members[-1][0])
        for is_good, group in groupby(zip(offsets_db, good, strict=True), key=itemgetter(1))
        if (members := list(group)) and is_good
    ]
    return max(stretches, key=lambda ends: (ends[0] <= 0.0 <= ends[1], ends[1] - ends[0], -abs(ends[0] + ends[1])))
