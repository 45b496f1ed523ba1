"""No note is read an octave off, at any fret, however bright.

Half-way between two samples of a correlation a bright note's peak is much lower than at the sample that its second
period falls upon. Truth: model strings; and single notes of an electric guitar (FreePats, "e-guitar FSBS direct", CC0
1.0), resampled (soxr) to every half fret of the string on which they were recorded.
"""

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
import soundfile
import soxr

from tests.helpers.pitch_comparison import events_of
from tests.helpers.places import needs_recordings, recorded
from tests.material.pitch_tracks import GUITAR, HISS_DB, RATE, release
from thumbline.dsp.memory.events import NOTE, PITCH
from thumbline.dsp.note_names import note_to_midi
from thumbline.dsp.rig.model import Rig
from thumbline.dsp.synthetic.demo_score import STRINGS
from thumbline.dsp.synthetic.model_take import hiss, render_string
from thumbline.dsp.synthetic.string_model import Pluck, Signal

NOTE_S = 0.7


def misread(take: Signal, string: int, midi: Signal, begins_s: Signal) -> list[tuple[float, float]]:
    """Notes (true, read) more than 50 cents off, or found twice or not at all (NaN); and of later reports the worst."""
    events = events_of(take, Rig(), RATE)
    events = events[events["string"] == string]
    time, read = events["frame"] / RATE, 69.0 + 12.0 * np.log2(np.maximum(events["value"], 1e-9) / 440.0)
    wrong = []
    for true, begin in zip(midi, begins_s, strict=True):
        near = (time > begin - 0.03) & (time < begin + 0.45)
        notes = read[near & (events["kind"] == NOTE)]
        reports = read[near & (events["kind"] == PITCH) & (time > begin + 0.05)]
        worst = reports[np.argmax(np.abs(reports - true))] if len(reports) else np.nan
        if len(notes) != 1:
            wrong.append((float(true), np.nan))
        elif abs(notes[0] - true) > 0.5:
            wrong.append((float(true), float(notes[0])))
        elif not abs(worst - true) < 0.5:
            wrong.append((float(true), float(worst)))
    return wrong


@pytest.mark.parametrize("string", [1, 2, 3])
@pytest.mark.parametrize(("pluck_mm", "pickup_mm"), [(25.0, 20.0), (40.0, 45.0), (60.0, 20.0)])
def test_a_bright_model_string_is_never_read_an_octave_off(string: int, pluck_mm: float, pickup_mm: float) -> None:
    bright = replace(STRINGS[string], pickup_mm=pickup_mm, coil_hz=9000.0, decay_high=5e-8, sensitivity=0.11)
    midi = bright.open_midi + np.arange(10.1, 22.0, 0.25)
    begins = 0.3 + 0.5 * np.arange(len(midi))
    plucks = [Pluck(a, m, a + 0.4, 0.7, pluck_mm, 1.0) for a, m in zip(begins.tolist(), midi.tolist(), strict=True)]
    rng = np.random.default_rng(string)
    frames = round((begins[-1] + 0.6) * RATE)
    take = hiss(frames, 6, HISS_DB, rng)
    take[:, string - 1] += render_string(bright, plucks, frames, RATE, rng)[0]
    assert misread(take, string, midi, begins) == []


@cache
def recorded_notes(string: int, soft: bool) -> list[tuple[int, Signal]]:
    """Recorded notes of one string (their MIDI note, sound)."""
    files = sorted(recorded("notes").glob(f"*_s{7 - string}_*.flac"))
    return [
        (note_to_midi(file.name.split("_")[0].replace("s", "#")), np.asarray(soundfile.read(file)[0], np.float64))
        for file in files
        if ("_soft_" in file.name) == soft
    ]


@needs_recordings
@pytest.mark.parametrize("string", range(1, 7))
@pytest.mark.parametrize("soft", [False, True])
def test_a_recorded_note_is_read_right_at_every_half_fret(string: int, soft: bool) -> None:
    midi = note_to_midi(GUITAR[string - 1]) + np.arange(0.13, 22.2, 0.5)
    take = np.random.default_rng(string).normal(0, 1e-4, (round((NOTE_S * len(midi) + 1.0) * RATE), 6))
    begins = []
    for i, true in enumerate(midi):
        recorded, sound = min(recorded_notes(string, soft), key=lambda note: abs(note[0] - true))
        note = soxr.resample(sound, RATE, RATE / 2.0 ** ((true - recorded) / 12.0))[: round(0.6 * RATE)]
        note[-480:] *= np.linspace(1.0, 0.0, 480)
        at = round((0.3 + NOTE_S * i) * RATE)
        take[at : at + len(note), string - 1] += note
        begins.append((at + release(note)) / RATE)
    assert misread(take, string, midi, np.array(begins)) == []
