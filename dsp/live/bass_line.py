"""From the processor's events, as they come, to the notes of the bass line."""

from collections.abc import Sequence
from typing import Any

from thumbline.dsp.decibels import power_db
from thumbline.dsp.live.midi_voice import Message, MidiVoice
from thumbline.dsp.memory.events import END, HANDOVER, LOCK, PITCH, PLUCK
from thumbline.dsp.memory.records import ANALYSIS_STEP, MAX_STRINGS
from thumbline.dsp.note_names import hz_to_midi
from thumbline.dsp.processor.notes import velocity_of


class LiveBassLine:
    """Follows the string that has the bass; arguments as for :class:`~thumbline.dsp.live.midi_voice.MidiVoice`."""

    def __init__(self, channel: int, bend_range: int):
        self._notes = MidiVoice(channel, bend_range)
        self._a4_hz, self._interval = 440.0, -12.0
        self._typical_power: Sequence[float] = (0.0,) * MAX_STRINGS
        self._bass = 0
        self._hz = [0.0] * (MAX_STRINGS + 1)
        self._level_db = [0.0] * (MAX_STRINGS + 1)

    def begin(self) -> list[Message]:
        """For a module in an unknown state."""
        return self._notes.begin()

    def silence(self) -> list[Message]:
        """End the note that sounds; the next one begins with the next pitch that is found."""
        return self._notes.stop()

    def tune(self, a4_hz: float, interval: float, typical_power: Sequence[float]) -> None:
        """Go by this tuning, interval in semitones, and usual level of each string (mean square, analysis steps)."""
        self._a4_hz, self._interval, self._typical_power = a4_hz, interval, typical_power

    def feed(self, event: Sequence[Any], *, playing: bool = True) -> list[Message]:
        """Take one event (a tuple of the fields of ``EVENT``); unless ``playing``, it is only remembered."""
        _, _, kind, string, value, _, level = event
        if kind in (PLUCK, END):
            self._hz[string] = 0.0
        elif kind in (LOCK, PITCH):
            self._hz[string], self._level_db[string] = value, level
        if kind == HANDOVER:
            self._bass = string
            if not playing:
                return []
            return self._start() if self._hz[string] else self._notes.stop()
        if not playing or string != self._bass:
            return []
        if kind == END:
            return self._notes.stop()
        if kind == LOCK or (kind == PITCH and not self._notes.sounding):
            return self._start()
        return self._notes.follow(self._pitch()) if kind == PITCH else []

    def _pitch(self) -> float:
        return hz_to_midi(self._hz[self._bass], self._a4_hz) + self._interval

    def _start(self) -> list[Message]:
        typical_db = power_db(float(self._typical_power[self._bass - 1]) * ANALYSIS_STEP**2, 1e-16)
        return self._notes.start(self._pitch(), velocity_of(self._level_db[self._bass], typical_db))
