"""Power of a string over a span of ticks, exact whatever went before."""

import numpy as np

from thumbline.dsp.compilation import kernel
from thumbline.dsp.records import TICKS


@kernel
def span_energy(string: np.void, first: int, end: int) -> float:
    """Sum of squares of ticks ``first`` to ``end - 1`` (in analysis steps), both within the last ``TICKS - 1``."""
    mask = TICKS - 1
    return float(string.energy[mask - ((end - 1) & mask)] - string.energy[mask - ((first - 1) & mask)])


@kernel
def span_power(string: np.void, first: int, end: int) -> float:
    """Mean square of ticks ``first`` to ``end - 1``; 0 for an empty span."""
    if end <= first:
        return 0.0
    return span_energy(string, first, end) / (end - first)
