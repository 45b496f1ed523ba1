"""The bass line on a bass of four strings: where it lies, and as MusicXML, read back by music21.

music21 (M. S. Cuthbert, C. Ariza, ISMIR 2010) reads MusicXML independently of what writes it here. Its tunings of a
bass guitar are compared too.
"""

from fractions import Fraction
from itertools import pairwise
from pathlib import Path
from typing import Any
from xml.etree import ElementTree as ET

import numpy as np
import pytest

from thumbline.dsp.beats.tempo import Beats, beats_from_bpm, estimate_beats
from thumbline.dsp.note_names import midi_to_note, note_to_midi
from thumbline.dsp.practice.bass_fingering import HIGHEST_FRET, OPEN_MIDI, SPAN_FRETS, fingered
from thumbline.dsp.practice.bass_musicxml import bass_musicxml, write_bass_musicxml
from thumbline.dsp.practice.tablature import tablature_text
from thumbline.dsp.processor.notes import Note


def _note(onset_s: float, offset_s: float, midi: float) -> Note:
    return Note(onset_s, offset_s, 6, 0, midi, "", 82.4, 0.0, 90)


def _beats(beats_per_bar: int = 4) -> Beats:
    return beats_from_bpm(120.0, [], [], 30.0, beats_per_bar, 1.0)


def test_strings_are_tuned_as_a_bass_guitar() -> None:
    assert [midi_to_note(midi) for midi in OPEN_MIDI] == ["G2", "D2", "A1", "E1"]


def test_every_note_sounds_as_it_was_heard() -> None:
    rng = np.random.default_rng(5)
    line = [_note(i, i + 0.5, float(midi)) for i, midi in enumerate(rng.integers(40, 65, 300))]
    for note, played in zip(line, fingered(line, -12), strict=True):
        assert played.fret is not None
        assert 0 <= played.fret <= HIGHEST_FRET
        assert OPEN_MIDI[played.string - 1] + played.fret == played.midi == round(note.midi) - 12


def test_a_scale_stays_in_one_place() -> None:
    """G major over one octave, from G1: open strings and the first frets, as every method begins (common practice)."""
    scale = [note_to_midi(name) + 12.0 for name in ("G1", "A1", "B1", "C2", "D2", "E2", "F#2", "G2")]
    places = [(note.string, note.fret) for note in fingered([_note(i, i + 1, key) for i, key in enumerate(scale)], -12)]
    assert places == [(4, 3), (3, 0), (3, 2), (3, 3), (2, 0), (2, 2), (2, 4), (1, 0)]


def test_the_hand_does_not_leap_where_it_need_not() -> None:
    high = [note_to_midi(name) + 12.0 for name in ("C3", "A2", "F2", "C3", "G2", "E2")]
    frets = [note.fret for note in fingered([_note(i, i + 1, key) for i, key in enumerate(high)], -12)]
    fretted = [fret for fret in frets if fret]
    assert all(abs(a - b) <= SPAN_FRETS for a, b in pairwise(fretted))


def test_what_no_bass_of_four_strings_has_is_said() -> None:
    notes = fingered([_note(1.0, 1.5, 38.0), _note(1.5, 2.0, 40.0)], -12)  # D1 of a dropped string, E1
    assert [(note.string, note.fret) for note in notes] == [(4, None), (4, 0)]
    text = tablature_text("Ebb", notes, _beats(), 3.0)
    assert "< is below the lowest string" in text
    assert "D1" in text


def _read(document: bytes) -> Any:
    music21 = pytest.importorskip("music21", reason="needs music21, which reads MusicXML")
    return music21.converter.parse(document.decode(), format="musicxml")


def test_music21_reads_pitch_place_and_time_back() -> None:
    line = [
        _note(1.0, 1.5, 45.0),  # bar 1, beat 1
        _note(1.5, 1.75, 52.0),  # an eighth
        _note(1.75, 3.5, 46.0),  # over the bar line
        _note(4.0, 4.1, 40.0),
        _note(5.0, 8.9, 43.0),
    ]
    score = _read(bass_musicxml("Slack & Water <1>", fingered(line, -12), _beats(), 9.0))
    assert score.metadata.title == "Slack & Water <1>"
    played = [note for note in score.flatten().notes if note.tie is None or note.tie.type == "start"]
    assert [note.pitch.nameWithOctave for note in played] == ["A1", "E2", "A#1", "E1", "G1"]
    assert [note.pitch.midi for note in played] == [33, 40, 34, 28, 31]
    # In quarter notes of 0.5 s from bar 1 at 1 s.
    assert [float(note.getOffsetInHierarchy(score)) for note in played] == [0.0, 1.0, 1.5, 6.0, 8.0]
    whole = score.stripTies().flatten().notes
    assert [note.quarterLength for note in whole] == [1.0, 0.5, 3.5, 0.5, 8.0]
    places = [
        (
            next(a.number for a in note.articulations if type(a).__name__ == "StringIndication"),
            next(a.number for a in note.articulations if type(a).__name__ == "FretIndication"),
        )
        for note in played
    ]
    assert places == [(note.string, note.fret) for note in fingered(line, -12)]
    assert score.flatten().getElementsByClass("MetronomeMark")[0].number == 120
    measures = score.parts[0].getElementsByClass("Measure")
    assert [measure.duration.quarterLength for measure in measures] == [4.0] * len(measures)


@pytest.mark.parametrize("beats_per_bar", [3, 4, 5])
@pytest.mark.parametrize("parts", [1, 2, 3, 4, 6, 8])
def test_every_bar_is_full_whatever_is_played(parts: int, beats_per_bar: int) -> None:
    rng = np.random.default_rng(100 * parts + beats_per_bar)
    places = np.sort(rng.choice(24 * parts, 14 * parts if parts < 3 else 30, replace=False)) - 3 * parts
    ends = [*places[1:], places[-1] + parts]
    lengths = [int(rng.integers(1, end - start + 1)) for start, end in zip(places, ends, strict=True)]
    line = [
        _note(1.0 + 0.5 * start / parts, 1.0 + 0.5 * (start + length) / parts, float(rng.integers(40, 60)))
        for start, length in zip(places.tolist(), lengths, strict=True)
        if 1.0 + 0.5 * start / parts >= 0.0
    ]
    document = bass_musicxml("Rip", fingered(line, -12), _beats(beats_per_bar), 16.0)
    score = _read(document)
    for measure in score.parts[0].getElementsByClass("Measure"):
        assert Fraction(measure.duration.quarterLength) == beats_per_bar
    root = ET.fromstring(document)
    assert root.get("version") == "4.0"
    for measure in root.iter("measure"):
        assert sum(int(each.text or 0) for each in measure.iter("duration")) == 24 * beats_per_bar


def test_the_staff_is_tuned_as_the_bass() -> None:
    root = ET.fromstring(bass_musicxml("Rip", fingered([_note(1.0, 1.5, 45.0)], -12), _beats(), 3.0))
    tunings = [
        (each.get("line"), each.findtext("tuning-step"), each.findtext("tuning-octave"))
        for each in root.iter("staff-tuning")
    ]
    assert tunings == [("1", "E", "1"), ("2", "A", "1"), ("3", "D", "2"), ("4", "G", "2")]
    assert root.findtext(".//clef/sign") == "TAB"
    assert root.find(".//transpose") is None


def test_without_a_tempo_there_is_no_score(tmp_path: Path) -> None:
    note = _note(0.5, 1.0, 45.0)
    with pytest.raises(ValueError, match="no tempo"):
        write_bass_musicxml(
            tmp_path / "bass.musicxml", "Rip", fingered([note], -12), estimate_beats([note], [], 2.0, 4, None), 2.0
        )
