"""The bass line as MIDI that counts in the beats of the take."""

from pathlib import Path

import mido
import pytest

from thumbline.dsp.beats.tempo import beats_from_taps
from thumbline.dsp.practice.bass_midi import write_bass_midi_with_beats
from thumbline.dsp.processor.notes import Note


@pytest.mark.parametrize(("beats_per_bar", "at"), [(1, 1.0), (2, 2.0), (4, 4.0)])
def test_no_more_than_a_bar_precedes_the_take(tmp_path: Path, beats_per_bar: int, at: float) -> None:
    beats = beats_from_taps([0.5, 1.0, 1.5, 2.0], 4.0, beats_per_bar, None)
    note = Note(0.5, 0.9, 6, 0, 40.0, "E2", 82.4, 0.0, 90)
    write_bass_midi_with_beats(tmp_path / "bass.mid", [note], beats, interval=0, end_s=4.0)
    file = mido.MidiFile(tmp_path / "bass.mid")
    now = 0
    for message in file.tracks[0]:
        now += message.time
        if message.type == "note_on":
            break
    assert now / file.ticks_per_beat == pytest.approx(at, abs=0.01)
