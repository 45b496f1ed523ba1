"""What each stage of the decision asks of a pluck, and what it has: why it is not a note yet, or not believed.

Everything is read from the processor's record just after a hop, with the kernel's own functions and limits.
"""

from dataclasses import dataclass
from typing import Literal

import numpy as np

from thumbline.dsp.decibels import power_db
from thumbline.dsp.kernel.confirmation import (
    EVIDENCE_DUE_S,
    FALLING,
    GONE,
    PITCH_DUE,
    PITCH_DUE_S,
    THUMP,
    TOUCH_S,
    TOUCHED_DUE_S,
)
from thumbline.dsp.kernel.evidence import (
    AGREED_S,
    AGREEMENT,
    ALIKE,
    CLOSELY_AGREED_S,
    CLOSELY_ALIKE,
    DOUBT_PER_JUMP,
    FASTEST_NOTE_DB_S,
    LATE_S,
    MOST_JUMPS,
    PERIODS,
    fall_db_s,
)
from thumbline.dsp.kernel.period import normalised_difference, pick_period
from thumbline.dsp.kernel.pitch_tracking import LOCK_CLARITY, UNPROVED_CLARITY
from thumbline.dsp.memory.record_type import Record
from thumbline.dsp.memory.records import DOUBTED, LAGS, PLUCKED
from thumbline.dsp.memory.tick_ring import decibels

Kind = Literal["no pitch", "not steady", "not clear", "falls", "late", "brief"]


@dataclass(frozen=True)
class Refusal:
    """What a pluck lacks at one moment to be a note: the values that it ``had`` and that are ``asked``, in ``unit``."""

    kind: Kind
    had: float
    asked: float
    jumps: int = 0  #: how often its pitch has turned out to be another one
    knock: bool = False  #: most strings heard it at the same time

    @property
    def words(self) -> str:
        """The refusal as half a sentence."""
        if self.kind == "no pitch" and not self.had:
            return "its pitch is not known yet"
        if self.kind == "no pitch":
            return f"it has no pitch: its wave repeats itself by {two(self.had)}, and {two(self.asked)} is asked"
        if self.kind == "not clear":
            return f"its pitch is not clear: its wave repeats itself by {two(self.had)}, and {two(self.asked)} is asked"
        if self.kind == "not steady":
            off = f"its newest waves lie {self.had:.0f} cents off, and {self.asked:.0f} are allowed"
            return f"its pitch is not steady: {off}"
        if self.kind == "falls":
            return (
                f"it dies as a damped string does: by {self.had:.0f} dB per second, and less than {self.asked:.0f} "
                "is asked"
            )
        why = f" ({self._why_longer})" if self._why_longer else ""
        return f"its pitch has stayed for {self.had:.0f} of the {self.asked:.0f} ms that are asked{why}"

    @property
    def _why_longer(self) -> str:
        if self.kind == "late":
            return "most strings heard it, as a knock" if self.knock else "its pitch came late, far below its attack"
        if self.jumps:
            return f"longer, since its pitch jumped {'once' if self.jumps == 1 else f'{self.jumps} times'}"
        return ""


def two(value: float) -> str:
    """Return a share with two digits, rounded down so that what falls short is seen to."""
    return f"{np.floor(100.0 * value + 1e-9) / 100.0:.2f}"


def refusal(p: Record, st: Record, s: int) -> Refusal:
    """Return why string ``s`` (from 0), which is plucked and no note, is none; the record stands just after a hop."""
    string = st["strings"][s]
    heard = int(st["tick"]) - 1
    jumps, knock = int(string["jumps"]), bool(string["knock"])
    if string["phase"] == PLUCKED:
        _, clarity = _newest_period(p, string, s, heard)
        return Refusal("no pitch", clarity, LOCK_CLARITY if clarity < LOCK_CLARITY else UNPROVED_CLARITY, jumps, knock)
    if string["alike"] <= 0.0:
        period, _ = _newest_period(p, string, s, heard)
        if period > 0.0:
            off_cents = 1200.0 * abs(float(np.log2(period / string["period"])))
            return Refusal("not steady", off_cents, 1200.0 * float(np.log2(AGREEMENT)), jumps, knock)
    if string["alike"] < ALIKE:
        return Refusal("not clear", max(float(string["alike"]), 0.0), ALIKE, jumps, knock)
    if string["late"] > 0.0:
        due_ms = 1e3 * LATE_S * float(p["patience"])
        return Refusal("late", due_ms * float(string["evidence"]), due_ms, jumps, knock)
    fall = fall_db_s(p, string, heard)
    if fall >= FASTEST_NOTE_DB_S:
        return Refusal("falls", fall, FASTEST_NOTE_DB_S, jumps, knock)
    close = min((float(string["alike"]) - ALIKE) / (CLOSELY_ALIKE - ALIKE), 1.0)
    due_s = AGREED_S * (CLOSELY_AGREED_S / AGREED_S) ** close
    due_s *= float(p["patience"]) * (1.0 + DOUBT_PER_JUMP * min(jumps, MOST_JUMPS))
    due_ms = 1e3 * max(due_s, PERIODS * float(string["period"]) / float(p["tick_rate"]))
    return Refusal("brief", due_ms * float(string["evidence"]), due_ms, jumps, knock)


def _newest_period(p: Record, string: Record, s: int, tick: int) -> tuple[float, float]:
    """Return the period of the newest waves, in ticks, and how well they repeat themselves; zeros if they have none."""
    nsdf = np.zeros(LAGS)
    lag_max = int(p["lag_max"][s])
    return pick_period(nsdf, int(p["lag_min"][s]), lag_max, normalised_difference(string, tick, lag_max, nsdf))


def disbelief(p: Record, st: Record, s: int) -> str:
    """Return why the bass may not pass to string ``s``, whose pluck is not believed (yet)."""
    string = st["strings"][s]
    if string["proof"] == DOUBTED:
        if string["knock"]:
            return "taken for a knock: most strings heard the same at the same moment"
        lost_db = _lost_db(st, s)
        return (
            f"taken for a thump: it has lost {lost_db:.0f} dB since its attack without a steady pitch, and "
            f"{_allowed_db(p, st, s):.0f} are allowed by now"
        )
    if string["past_touch_tick"] < string["pluck_tick"]:
        short_db = decibels(float(p["strong_power"][s])) - decibels(float(st["quick"][s]))
        return f"touch or pluck? It is {max(short_db, 0.0):.0f} dB softer than a pluck, so it is waited for"
    waited, asked = int(st["tick"]) - int(string["past_touch_tick"]), int(p["proof_ticks"])
    ms = 1e3 / float(p["tick_rate"])
    return f"it has been listened to for {ms * waited:.0f} of the {ms * asked:.0f} ms that choice.proof_ms asks"


def _lost_db(st: Record, s: int) -> float:
    return decibels(float(st["strings"][s]["peak"])) - decibels(float(st["level"][s]))


def _allowed_db(p: Record, st: Record, s: int) -> float:
    """Return how much a pluck without evidence may lose at this moment, in dB, before it is doubted."""
    string, tick = st["strings"][s], int(st["tick"])
    rate, pitch_due = float(p["tick_rate"]), PITCH_DUE * float(p["lag_max"][s])
    since, due_s = int(string["proof_tick"]), EVIDENCE_DUE_S
    if string["attack_tick"] - string["proof_tick"] > TOUCH_S * rate:
        since, due_s = int(string["attack_tick"]), TOUCHED_DUE_S
    late = tick - since > max(pitch_due, due_s * rate)
    if string["phase"] == PLUCKED:
        late = late or tick - int(string["attack_tick"]) > max(pitch_due, PITCH_DUE_S * rate)
    share = FALLING if late else THUMP if p["proof_ticks"] > 0 else GONE
    return -power_db(share)
