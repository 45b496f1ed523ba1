"""The bass line as a Standard MIDI File that counts in the beats of the take.

`thumbline.dsp.midi.smf` makes the notes, on a clock that says nothing of the music; here each event is put where it
lies between the beats, with a tempo for each beat (one for all, if they are a strict grid), the time signature, and so
the bar lines. Standard MIDI Files 1.0 (MMA): tempo and time signature are meta events 0x51 and 0x58. The file begins
at the bar line at or before the first frame.
"""

from collections.abc import Iterable
from io import BytesIO
from pathlib import Path

import numpy as np

from thumbline.dsp.beats.tempo import Beats
from thumbline.dsp.midi.smf import TICKS_PER_SECOND, BassNote, write_bass_midi

TICKS_A_BEAT = 960


def write_bass_midi_with_beats(
    path: Path, notes: Iterable[BassNote], beats: Beats, *, interval: float, end_s: float
) -> int:
    """Write the bass line, moved by ``interval`` semitones, and return how many notes the file holds.

    Without a tempo, the file keeps the clock of `thumbline.dsp.midi.smf`, which says nothing of the music.
    """
    import mido

    count = write_bass_midi(path, notes, interval=interval, end_s=end_s)
    if not beats.known:
        return count
    plain = mido.MidiFile(file=BytesIO(path.read_bytes()), charset="utf-8")
    first = beats.downbeat % beats.beats_per_bar
    times = beats.times_s[first:]
    if times[0] > 0.0:  # the beats know no bar line before the take: one more bar at the same pace
        pace = times[1] - times[0]
        times = np.concatenate([times[0] - pace * np.arange(beats.beats_per_bar, 0, -1), times])
    while len(times) > beats.beats_per_bar and times[beats.beats_per_bar] <= 0.0:
        times = times[beats.beats_per_bar :]
    places = np.arange(len(times)) * TICKS_A_BEAT
    last = int(np.searchsorted(times, end_s)) + 1
    events: list[tuple[int, int, mido.Message | mido.MetaMessage]] = []
    lengths = np.diff(times[: last + 1])
    lengths = lengths[:1] if beats.steady else lengths
    for beat, length_s in enumerate(lengths):
        events.append((beat * TICKS_A_BEAT, 0, mido.MetaMessage("set_tempo", tempo=round(1e6 * float(length_s)))))
    signature = mido.MetaMessage("time_signature", numerator=beats.beats_per_bar, denominator=4)
    events.append((0, 0, signature))
    now = 0
    for message in plain.tracks[0]:
        now += message.time
        if message.type in ("set_tempo", "text", "end_of_track"):
            continue
        # What sets the voice up comes at the very beginning, notes where they lie.
        tick = 0 if now == 0 else round(float(np.interp(now / TICKS_PER_SECOND, times, places)))
        events.append((tick, 1, message))
    events.sort(key=lambda event: event[:2])
    end = max(events[-1][0], round(float(np.interp(end_s, times, places))))
    track = mido.MidiTrack()
    at = 0
    for tick, _, message in [*events, (end, 1, mido.MetaMessage("end_of_track"))]:
        track.append(message.copy(time=tick - at))
        at = tick
    mido.MidiFile(type=0, ticks_per_beat=TICKS_A_BEAT, charset="utf-8", tracks=[track]).save(str(path))
    return count
