"""Sooner or surer: how late decisions fall against how many of them are false, as one setting moves.

*Late*: for each stretch of the bass that begins with a pluck, the time from the pluck until the mutes left its string
open and no other (`thumbline.dsp.scoring.score.latency`). *False*: the bass passed to a string that was not the lowest
to sound, from just before the decision until the next one. A strike on damped strings counts: it moves the bass, and
nothing sounds.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from thumbline.dsp.notebook.workbench import Decisions, Workbench
from thumbline.dsp.processor.transcript import Handover
from thumbline.dsp.rig.adjustment import Adjustment, adjusted, everywhere
from thumbline.dsp.rig.model import Rig
from thumbline.dsp.scoring.score import latency
from thumbline.dsp.scoring.true_bass import GUARD_S, STEP_S, TrueBass

Knob = Literal["settle_ms", "on_db"]
#: What is tried of each: milliseconds, and dB on all strings.
VALUES: dict[Knob, tuple[float, ...]] = {
    "settle_ms": (0.0, 2.0, 5.0, 10.0, 15.0, 20.0, 30.0, 40.0),
    "on_db": (-36.0, -33.0, -30.0, -24.0, -12.0, 0.0, 12.0, 20.0, 24.0, 28.0),
}


@dataclass(frozen=True)
class TradeOff:
    """What one value of a setting costs."""

    value: float
    median_ms: float | None  #: from the pluck to the decision; None if none was followed
    p95_ms: float | None
    false: int  #: hand-overs
    false_per_minute: float
    never: int  #: plucked stretches of the bass that were not followed at all


def trade_offs(
    bench: Workbench, knob: Knob, *, rig: Rig | None = None, values: Sequence[float] | None = None
) -> tuple[TradeOff, ...]:
    """Return what each value costs: of ``choice.settle_ms``, or of dB added to every string's ``detect.on_db``.

    Compared is with the truth where it is known, or else with what the rig decided as it was loaded.
    """
    rig = rig or bench.rig
    tried = tuple(VALUES[knob] if values is None else values)
    rigs = [
        adjusted(rig, Adjustment(settle_ms=value) if knob == "settle_ms" else Adjustment(everywhere(rig, value)))
        for value in tried
    ]
    return tuple(
        cost(bench, decisions, value) for value, decisions in zip(tried, bench.decisions_of(rigs), strict=True)
    )


def cost(bench: Workbench, decisions: Decisions, value: float) -> TradeOff:
    """Return how late and how often false ``decisions`` are; ``value`` is the setting they were made with."""
    true = bench.reference.bass
    found = latency(true, decisions.mutes, decisions.rig.string_count, plucked=True)
    false = len(false_handovers(true, decisions.handovers))
    return TradeOff(
        value, found.spread.median_ms, found.spread.p95_ms, false, 60.0 * false / bench.seconds, found.never
    )


def false_handovers(true: TrueBass, handovers: Sequence[Handover]) -> list[Handover]:
    """Return the hand-overs to a string that was not the true bass at any moment until the next.

    ``handovers`` are in order of decision. Where a fading note leaves open which string is right, none is false.
    """
    begins = np.array([each.onset_s for each in true.stretches])
    ends = np.array([each.offset_s for each in true.stretches])
    strings = np.array([each.string for each in true.stretches])
    false: list[Handover] = []
    for index, each in enumerate(handovers):
        until_s = handovers[index + 1].decided_s if index + 1 < len(handovers) else np.inf
        since_s = min(each.time_s, each.decided_s) - GUARD_S
        moments = slice(max(int(since_s / STEP_S), 0), int(min(until_s, true.end_s) / STEP_S) + 1)
        fair = bool(((strings == each.string) & (begins < until_s) & (ends > since_s)).any())
        if each.string and not fair and not true.open[moments].any():
            false.append(each)
    return false
