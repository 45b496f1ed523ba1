"""Truth from a Standard MIDI File with one channel per string.

Channel 1 carries string 1, channel 2 string 2, and so on: guitars with a MIDI pickup send so in mono mode, one
channel a string (common practice, no source). A bend counts as it stands when its note begins, in the range set by
registered parameter 0 (2 semitones unless set; MIDI 1.0 Detailed Specification 4.2.1, pages 17 to 19). A note lasts
until its note off, or until its key or another of its string begins: a string sounds one note at a time.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from io import BytesIO
from typing import Any

from thumbline.dsp.errors import InputError
from thumbline.dsp.midi.numbers import BEND_STEPS
from thumbline.dsp.note_names import midi_to_note
from thumbline.dsp.rig.model import Rig
from thumbline.dsp.scoring.truth_entry import Entry

#: A string may be bent down, or tuned lower than the rig says, by this much and still be that string, in semitones.
BELOW_OPEN = 5.0


@dataclass
class _Channel:
    """What a channel has been told so far."""

    key: int | None = None
    onset_s: float = 0.0
    midi: float = 0.0
    bend: int = 0
    range_semitones: float = 2.0
    range_cents: float = 0.0
    parameter: tuple[int, int] = (127, 127)

    def control(self, controller: int, value: int) -> None:
        if controller == 101:
            self.parameter = (value, self.parameter[1])
        elif controller == 100:
            self.parameter = (self.parameter[0], value)
        elif self.parameter == (0, 0) and controller == 6:
            self.range_semitones = value
        elif self.parameter == (0, 0) and controller == 38:
            self.range_cents = value

    def begin(self, key: int, onset_s: float) -> None:
        bend = self.bend / BEND_STEPS * (self.range_semitones + self.range_cents / 100.0)
        self.key, self.onset_s, self.midi = key, onset_s, key + bend


def midi_entries(content: bytes, rig: Rig, name: str) -> Iterator[Entry]:
    """Return the notes of a Standard MIDI File of format 0 or 1.

    Raises InputError for a damaged file, and for notes that no string of their channel can play.
    """
    channels: dict[int, _Channel] = {}
    now_s = 0.0
    for message in _messages(content, name):
        now_s += message.time
        if message.is_meta or not hasattr(message, "channel"):
            continue
        string = message.channel + 1
        channel = channels.setdefault(string, _Channel())
        if message.type == "pitchwheel":
            channel.bend = message.pitch
        elif message.type == "control_change":
            channel.control(message.control, message.value)
        elif message.type == "note_on" and message.velocity:
            yield from _end(channel, string, now_s)
            _refuse_foreign(message.note, string, rig, name, now_s)
            channel.begin(message.note, now_s)
        elif message.type in ("note_on", "note_off") and message.note == channel.key:
            yield from _end(channel, string, now_s)
    for string, channel in channels.items():
        yield from _end(channel, string, now_s)


def _messages(content: bytes, name: str) -> list[Any]:
    """Return all messages, each with the time since the one before in seconds."""
    import mido

    try:
        return list(mido.MidiFile(file=BytesIO(content), charset="latin1"))
    except Exception as error:  # a damaged file makes mido raise whatever it stumbles over
        reason = " ".join(str(error).split()) or type(error).__name__
        accepted = "accepted: a Standard MIDI File of format 0 or 1"
        raise InputError(f"{name}: is damaged or no Standard MIDI File ({reason}); {accepted}") from None


def _end(channel: _Channel, string: int, now_s: float) -> Iterator[Entry]:
    if channel.key is not None:
        place = f"the note at {channel.onset_s:.3f} s on channel {string}"
        values = {"string": string, "midi": channel.midi, "onset_s": channel.onset_s, "offset_s": now_s}
        channel.key = None
        yield Entry(place, values)


def _refuse_foreign(key: int, string: int, rig: Rig, name: str, now_s: float) -> None:
    """Raise InputError for a note too low for its string: then channels are not strings."""
    accepted = f"accepted: one channel per string, channel 1 for string 1, up to {rig.string_count}"
    if string > rig.string_count:
        raise InputError(f"{name}: a note at {now_s:.3f} s is on channel {string}; {accepted}")
    lowest = float(rig.open_midi[string - 1])
    if key < lowest - BELOW_OPEN:
        raise InputError(
            f"{name}: {midi_to_note(key)} at {now_s:.3f} s on channel {string} lies below string {string} "
            f"({midi_to_note(lowest)}); {accepted}"
        )
