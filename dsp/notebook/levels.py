"""How loud each string is over a take, as the processor hears it: what its thresholds are compared with.

A string begins to sound when the power over about a millisecond exceeds ``detect.on_db``, and is silent when the power
over about a period falls below ``detect.off_db``. So two levels are measured in each step of ``STEP_S``: that of its
loudest millisecond, and that of the whole step.
"""

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from thumbline.dsp.decibels import power_db, power_of
from thumbline.dsp.memory.record_type import Record
from thumbline.dsp.memory.records import TICKS
from thumbline.dsp.memory.tick_ring import place_of
from thumbline.dsp.processor.analysis_signal import LOWEST_DB, analysis_signal
from thumbline.dsp.processor.processor import Processor
from thumbline.dsp.rig.model import Rig

#: One level each, in seconds.
STEP_S = 0.01
#: What counts as now, in seconds: a period of B0 and more.
NOW_S = 0.04


@dataclass(frozen=True, eq=False)
class Levels:
    """Levels in dBFS (rms), arrays of (steps, strings), string 1 first."""

    times_s: NDArray[np.floating[Any]]  #: (steps,), the middle of each step
    loudest_db: NDArray[np.float64]  #: of the step's loudest millisecond; compare with ``detect.on_db``
    level_db: NDArray[np.float64]  #: of the whole step; compare with ``detect.off_db``


def measure_levels(frames: NDArray[np.floating[Any]], rig: Rig, rate: int) -> Levels:
    """Measure ``frames`` (n, channels), full scale 1, at ``rate`` frames per second.

    Raises InputError if a channel that the rig names is missing.
    """
    processor = Processor(rig, rate)
    tick_rate, short = float(processor.params[0]["tick_rate"]), int(processor.params[0]["short_ticks"])
    parts = [np.zeros((0, rig.string_count)), *analysis_signal(processor, frames)]
    power = np.square(np.concatenate(parts))
    step = round(STEP_S * tick_rate)
    steps = len(power) // step
    quick = _moving_mean(power, short)[: steps * step].reshape(steps, step, rig.string_count)
    whole = power[: steps * step].reshape(steps, step, rig.string_count)
    times_s = (np.arange(steps) + 0.5) * step / tick_rate
    least = power_of(LOWEST_DB)
    return Levels(times_s, power_db(quick.max(axis=1), least), power_db(whole.mean(axis=1), least))


def _moving_mean(power: NDArray[np.float64], span: int) -> NDArray[np.float64]:
    """Mean of the last ``span`` rows at each row; what was before the first is silence."""
    total = np.vstack([np.zeros((span, power.shape[1])), np.cumsum(power, axis=0)])
    return np.maximum(total[span:] - total[:-span], 0.0) / span


def loudest_now(p: Record, st: Record) -> NDArray[np.float64]:
    """Return the power (analysis steps squared) of each string's loudest millisecond within the last ``NOW_S``."""
    n, short = int(p["strings"]), int(p["short_ticks"])
    newest = place_of(int(st["tick"]) - 1)
    span = min(round(NOW_S * float(p["tick_rate"])) + short, TICKS)
    power = np.square(st["strings"]["ticks"][:n, newest : newest + span].astype(np.float64)).T
    return _moving_mean(power, short)[short - 1 :].max(axis=0)
