"""The bass line and the mutes as Standard MIDI Files.

Format 0 (one track). Time: 9600 ticks per quarter note at 120 quarter notes per minute, 19,200 ticks per second, so
a time is at most 26 us from the one that was asked for. The tempo is a ruler and says nothing of the music.
9600 is a multiple of the 480 and 960 ticks that sequencers commonly use (common practice, no source).

The same events give the same bytes. A file appears whole or not at all.

Sources: MIDI 1.0 Detailed Specification 4.2.1 (pitch bend and its range, pages 18 and 19; note off with
velocity 64, page 11), Standard MIDI Files 1.0 and General MIDI 1 (all MMA).
"""

import math
from collections.abc import Iterable
from io import BytesIO
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple, Protocol

from thumbline.dsp.errors import InputError
from thumbline.dsp.files.atomic_write import write_whole
from thumbline.dsp.midi.mutes import ControlChange
from thumbline.dsp.midi.numbers import BEND_STEPS, bend_range_controls

if TYPE_CHECKING:
    import mido

TICKS_PER_BEAT = 9600
TEMPO_US_PER_BEAT = 500_000
TICKS_PER_SECOND = TICKS_PER_BEAT * 1_000_000 // TEMPO_US_PER_BEAT
LONGEST_DELTA = (1 << 28) - 1
"""Ticks between two events that a variable-length quantity of four bytes can hold; 3.9 hours."""

ELECTRIC_BASS_FINGER = 33
"""General MIDI 1 program 34, as the message counts it (from 0)."""

BEND_RANGE = 2
"""Semitones either way; what General MIDI 1 gives a module at power-up (from memory), sent all the same."""


class BassNote(Protocol):
    """One note of the bass line, at the pitch at which the string was played."""

    @property
    def onset_s(self) -> float:
        """Seconds from the first frame."""
        ...

    @property
    def offset_s(self) -> float:
        """Seconds from the first frame."""
        ...

    @property
    def midi(self) -> float:
        """Fractional note number, 69 = A4."""
        ...

    @property
    def velocity(self) -> int:
        """1 to 127."""
        ...


class _Event(NamedTuple):
    tick: int
    message: "mido.Message | mido.MetaMessage"


class _KeyedNote(NamedTuple):
    onset: int
    offset: int
    key: int
    bend: int
    velocity: int


def write_bass_midi(
    path: Path,
    notes: Iterable[BassNote],
    *,
    interval: float,
    end_s: float,
    channel: int = 1,
    name: str = "bass line",
) -> int:
    """Writes the bass line, moved by ``interval`` semitones, and returns how many notes the file holds.

    A note takes the nearest key; pitch bend, set as it begins, carries the rest to within 0.0125 cent. A note
    ends at the latest where the next one begins, or at ``end_s``, where the track ends. Left out are notes of
    which nothing remains then, and those that have no key from 0 to 127 (an unknown pitch, NaN, has none).

    Raises
    ------
    InputError
        When the channel is not 1 to 16 or the file cannot be written.
    """
    if not 1 <= channel <= 16:
        raise InputError(f"MIDI channel is {channel}; 1 to 16 are accepted")
    end = _tick(end_s)
    keyed = _keyed_notes(notes, interval, end)
    _write(path, name, _voice_events(channel - 1) + _note_events(keyed, channel - 1), end)
    return len(keyed)


def _voice_events(channel: int) -> list[_Event]:
    import mido

    messages = [
        mido.Message("control_change", channel=channel, control=controller, value=value)
        for controller, value in bend_range_controls(BEND_RANGE)
    ]
    messages.append(mido.Message("program_change", channel=channel, program=ELECTRIC_BASS_FINGER))
    messages.append(mido.Message("pitchwheel", channel=channel, pitch=0))
    return [_Event(0, message) for message in messages]


def _keyed_notes(notes: Iterable[BassNote], interval: float, end: int) -> list[_KeyedNote]:
    playable: list[_KeyedNote] = []
    for note in notes:
        pitch = note.midi + interval
        key = math.floor(pitch + 0.5) if math.isfinite(pitch) else -1
        if 0 <= key <= 127:
            bend = round((pitch - key) / BEND_RANGE * BEND_STEPS)
            # A velocity of 0 would mean "note off".
            velocity = min(max(int(note.velocity), 1), 127)
            playable.append(_KeyedNote(_tick(note.onset_s), _tick(note.offset_s), key, bend, velocity))
    playable.sort()
    next_onsets = [*(note.onset for note in playable), end][1:]
    trimmed = [
        note._replace(offset=min(max(note.offset, note.onset + 1), next_onset, end))
        for note, next_onset in zip(playable, next_onsets, strict=True)
    ]
    return [note for note in trimmed if note.offset > note.onset]


def _note_events(notes: Iterable[_KeyedNote], channel: int) -> list[_Event]:
    import mido

    events: list[_Event] = []
    last_bend = 0
    for onset, offset, key, bend, velocity in notes:
        if bend != last_bend:
            events.append(_Event(onset, mido.Message("pitchwheel", channel=channel, pitch=bend)))
            last_bend = bend
        events.append(_Event(onset, mido.Message("note_on", channel=channel, note=key, velocity=velocity)))
        events.append(_Event(offset, mido.Message("note_off", channel=channel, note=key)))
    return events


def write_mutes_midi(
    path: Path, messages: Iterable[tuple[float, ControlChange]], *, end_s: float, name: str = "mutes"
) -> None:
    """Writes ``(time_s, message)`` in the given order; the track ends at ``end_s``, or with the last message.

    Raises
    ------
    InputError
        When a message is earlier than the one before it, or the file cannot be written.
    """
    import mido

    events: list[_Event] = []
    last_s = 0.0
    for time_s, message in messages:
        if time_s < last_s:
            raise InputError(f"control change at {time_s} s follows one at {last_s} s; only rising times are accepted")
        last_s = time_s
        events.append(_Event(_tick(time_s), mido.Message.from_bytes(message.bytes())))
    _write(path, name, events, max(_tick(end_s), _tick(last_s)))


def _tick(time_s: float) -> int:
    return max(0, round(time_s * TICKS_PER_SECOND))


def _write(path: Path, name: str, events: Iterable[_Event], end: int) -> None:
    import mido

    head = [
        _Event(0, mido.MetaMessage("track_name", name=name)),
        _Event(0, mido.MetaMessage("set_tempo", tempo=TEMPO_US_PER_BEAT)),
    ]
    track = mido.MidiTrack()
    now = 0
    for event in [*head, *events, _Event(end, mido.MetaMessage("end_of_track"))]:
        while event.tick - now > LONGEST_DELTA:
            track.append(mido.MetaMessage("text", text="", time=LONGEST_DELTA))
            now += LONGEST_DELTA
        track.append(event.message.copy(time=event.tick - now))
        now = event.tick
    content = BytesIO()
    # Text in a file is Latin-1 to mido unless told otherwise; a take may be named in any script.
    mido.MidiFile(type=0, ticks_per_beat=TICKS_PER_BEAT, charset="utf-8", tracks=[track]).save(file=content)
    write_whole(path, content.getvalue())
