"""Small measures that all parts of the analysis share: power over a span of ticks, decibels, frames of ticks."""

import math

from thumbline.dsp.compilation import kernel
from thumbline.dsp.memory.record_type import Record
from thumbline.dsp.memory.records import ANALYSIS_STEP, TICKS


@kernel
def place_of(tick: int) -> int:
    """Index of ``tick`` among the first ``TICKS`` places of a string's ring, where older ticks follow newer ones."""
    return TICKS - 1 - (tick & (TICKS - 1))


@kernel
def span_energy(string: Record, first: int, end: int) -> float:
    """Sum of squares of ticks ``first`` to ``end - 1`` (in analysis steps), both within the last ``TICKS - 1``."""
    return float(string.energy[place_of(end - 1)] - string.energy[place_of(first - 1)])


@kernel
def span_power(string: Record, first: int, end: int) -> float:
    """Mean square of ticks ``first`` to ``end - 1``; 0 for an empty span."""
    if end <= first:
        return 0.0
    return span_energy(string, first, end) / (end - first)


@kernel
def decibels(power: float) -> float:
    """Power in analysis steps squared, as dBFS (rms)."""
    return 10.0 * math.log10(power * ANALYSIS_STEP * ANALYSIS_STEP + 1e-20)


@kernel
def frame_of(p: Record, tick: int) -> int:
    """The frame that completes ``tick``, less the delay of the decimation filter."""
    return max(0, (tick + 1) * p.decimation - 1 - (p.taps - 1) // 2)
