"""The bass line as MIDI notes while it is played.

A note begins when the pitch of the string that has the bass is known, and ends when the string ends or the bass passes
on. It takes the nearest key, pitch bend carries the rest; a bend that goes further than the module was told begins a
new note. Each method returns the messages (status and data bytes) to be sent now.

Source: MIDI 1.0 Detailed Specification 4.2.1 (MMA): pitch bend and its range as registered parameter 0 (pages 18 and
19), note off with velocity 64 (page 11), all notes off (page 20).
"""

import math

from thumbline.dsp.midi.numbers import (
    BEND_STEPS,
    CONTROL_CHANGE,
    NOTE_OFF,
    NOTE_ON,
    PITCH_BEND,
    bend_range_controls,
)

#: A bend is sent when it has moved by this much, in semitones: a hundred reports a second must not fill the wire.
BEND_STEP = 0.02
#: A channel mode message.
ALL_NOTES_OFF = 123

Message = tuple[int, ...]


class MidiVoice:
    """One voice that plays the bass.

    Parameters
    ----------
    channel
        MIDI channel, 1 to 16.
    bend_range
        How far pitch bend reaches either way, in semitones, 1 to 24.
    """

    def __init__(self, channel: int, bend_range: int = 2):
        self._channel = channel - 1
        self._range = bend_range
        self._key: int | None = None
        self._velocity = 64
        self._bent = 0.0

    @property
    def sounding(self) -> bool:
        """Whether a note has been begun and not ended."""
        return self._key is not None

    def begin(self) -> list[Message]:
        """For a module in an unknown state: no note sounds, pitch bend reaches so far, and is at its centre."""
        self._key, self._bent = None, 0.0
        pairs = [(ALL_NOTES_OFF, 0), *bend_range_controls(self._range)]
        return [*((CONTROL_CHANGE | self._channel, number, value) for number, value in pairs), self._bend(0.0)]

    def start(self, pitch: float, velocity: int) -> list[Message]:
        """Begin a note at ``pitch`` (fractional key number), and end the one before; nothing if no key is so named."""
        messages = self.stop()
        key = math.floor(pitch + 0.5) if math.isfinite(pitch) else -1
        if not 0 <= key <= 127:
            return messages
        self._key, self._velocity = key, min(max(velocity, 1), 127)
        return [*messages, *self._bent_to(pitch - key, 0.0), (NOTE_ON | self._channel, key, self._velocity)]

    def follow(self, pitch: float) -> list[Message]:
        """The note that sounds is at ``pitch`` now."""
        if self._key is None or not math.isfinite(pitch):
            return []
        bend = pitch - self._key
        return self.start(pitch, self._velocity) if abs(bend) > self._range else self._bent_to(bend, BEND_STEP)

    def stop(self) -> list[Message]:
        """End the note, if one sounds."""
        if self._key is None:
            return []
        key, self._key = self._key, None
        return [(NOTE_OFF | self._channel, key, 64)]

    def _bent_to(self, bend: float, step: float) -> list[Message]:
        if abs(bend - self._bent) <= step:
            return []
        self._bent = bend
        return [self._bend(bend)]

    def _bend(self, bend: float) -> Message:
        value = min(max(round(bend / self._range * BEND_STEPS), -BEND_STEPS), BEND_STEPS - 1) + BEND_STEPS
        return (PITCH_BEND | self._channel, value & 0x7F, value >> 7)
