"""Which string is being tuned, and how far it is from its note.

Reads the memory of the live processor: the analysis signal of each string as it stands there, and nothing else. It runs
in the process of whoever shows it, so it costs the sound nothing.
"""

import math
from typing import NamedTuple

import numpy as np

from thumbline.dsp.memory.record_type import Record
from thumbline.dsp.memory.records import SILENT, TICKS
from thumbline.dsp.note_names import hz_to_midi, midi_to_note
from thumbline.dsp.rig.model import Rig
from thumbline.dsp.tuner.partial_pitch import PartialPitch

#: Another string is tuned once it is so much louder than the one before (power ratio): sympathy is softer.
LOUDER = 4.0
#: The pick's noise is over so long after an attack, in seconds.
ATTACK_S = 0.05
#: The processor has found another pitch if its own is this far from the one that is followed, in cents.
RETUNED_CENTS = 60.0
#: Ticks that the processor may write while they are copied.
MARGIN = 64
#: At rest the shown tenth of a cent changes only if the pitch is further from it than this, in cents.
HOLD_CENTS = 0.075


class Reading(NamedTuple):
    """What a tuner shows."""

    string: int  #: 1 is the highest
    hz: float  #: of the first partial
    note: str  #: the nearest one
    cents: float  #: how far the string is from where that note is to be on it; in tenths if it rests
    rests: bool


class Tuner:
    """Looks at the string that sounds. Call :meth:`look` 8 times per second or more."""

    def __init__(self) -> None:
        self._string = -1
        self._began = -1
        self._pitch: PartialPitch | None = None
        self._near_hz = 0.0
        self._shown = math.nan

    def look(self, live: Record, rig: Rig) -> Reading | None:
        """Return what is heard in the memory of ``live`` (dtype ``LIVE``) now; None if no string's pitch is known."""
        st, p = live["state"], live["params"][int(live["engine"]["setting"])]
        s = self._choose(st, rig.string_count)
        if s < 0:
            self._pitch, self._string = None, -1
            return None
        string, rate = st["strings"][s], float(p["tick_rate"])
        period, began = float(string["period"]), int(string["attack_tick"])
        near = rate / period
        other = (s, began) != (self._string, self._began)
        if self._pitch is None or other or abs(1200.0 * math.log2(near / self._near_hz)) > RETUNED_CENTS:
            self._string, self._began, self._near_hz, self._shown = s, began, near, math.nan
            self._pitch = PartialPitch(near, rate)
        length = min(self._pitch.length, TICKS - MARGIN)
        tick = int(st["tick"])
        place = TICKS - 1 - ((tick - 1) & (TICKS - 1))
        stretch = np.array(string["ticks"][place : place + length][::-1], np.float64)
        late = int(st["tick"]) - tick > MARGIN
        if not late and tick - length > began + ATTACK_S * rate and length == self._pitch.length:
            self._pitch.feed(stretch, tick - length)
        hz = self._pitch.hz
        return None if hz is None else self._reading(s, hz, rig, rests=self._pitch.rests)

    def _choose(self, st: Record, count: int) -> int:
        """The string that is loudest by far, or the one before if it still sounds; -1 if none has a pitch."""
        strings = st["strings"][:count]
        known = (strings["phase"] != SILENT) & (strings["period"] > 0.0)
        power = np.where(known, st["level"][:count], 0.0)
        best = int(np.argmax(power))
        if not known[best]:
            return -1
        held = self._string
        return held if 0 <= held < count and known[held] and power[best] < LOUDER * power[held] else best

    def _reading(self, s: int, hz: float, rig: Rig, *, rests: bool) -> Reading:
        midi = hz_to_midi(hz, rig.instrument.a4_hz) - rig.tuner.offsets_cents[s] / 100.0
        nearest = math.floor(midi + 0.5)
        cents = 100.0 * (midi - nearest)
        if rests:
            if not abs(cents - self._shown) <= HOLD_CENTS:
                self._shown = round(cents, 1)
            cents = self._shown
        return Reading(s + 1, hz, midi_to_note(nearest), cents, rests)
