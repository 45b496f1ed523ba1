"""The analysis signal: what the processor listens to, taken from its own memory while a take passes."""

from collections.abc import Iterator
from typing import Any

import numpy as np
from numpy.typing import NDArray

from thumbline.dsp.memory.records import ANALYSIS_STEP, TICKS
from thumbline.dsp.memory.tick_ring import decibels
from thumbline.dsp.processor.processor import CHUNK, Processor

#: Digital silence is shown as this, in dBFS.
LOWEST_DB = -120.0


def analysis_signal(processor: Processor, frames: NDArray[np.floating[Any]]) -> Iterator[NDArray[np.float64]]:
    """Let ``processor`` decide about ``frames`` (n, channels); yield its analysis signal, (ticks, strings), in parts.

    Full scale is 1. Bleed and hum are removed as the processor's rig says, and what lies below the string's range is
    filtered out.
    """
    state, n = processor.state[0], processor.rig.string_count
    for first in range(0, len(frames), CHUNK):
        before = int(state["tick"])
        processor.decide(frames[first : first + CHUNK])
        ticks = np.arange(before, int(state["tick"]))
        yield state["strings"]["ticks"][:n, TICKS - 1 - (ticks & (TICKS - 1))].T.astype(np.float64) * ANALYSIS_STEP


def in_decibels(power: float) -> float:
    """Return a power in analysis steps squared as dBFS."""
    return max(float(decibels(power)), LOWEST_DB)
