"""The bass line as MusicXML 4.0: one part on a tablature staff for a bass of four strings.

MusicXML 4.0 is a report of the W3C Music Notation Community Group (2021). Pitches are those that sound, and so are the
staff's tunings (E1 A1 D2 G2): there is no transposing part, and one octave convention throughout. Times are those of
the tablature: each note begins at the nearest part of a beat that is free, and lasts until it ends or the next begins.
"""

import xml.etree.ElementTree as ET
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from fractions import Fraction
from importlib.metadata import version
from math import ceil
from pathlib import Path

import numpy as np

from thumbline.dsp.beats.tempo import Beats
from thumbline.dsp.errors import printable
from thumbline.dsp.files.atomic_write import write_whole
from thumbline.dsp.note_names import midi_to_note
from thumbline.dsp.practice.bass_fingering import OPEN_MIDI, FingeredNote
from thumbline.dsp.practice.tablature import columns_of, subdivision

#: Divisions of a quarter note: all parts of a beat that the tablature knows are whole numbers of them.
DIVISIONS = 24
#: Lengths that can be written as one note, in quarter notes: type, dots, and whether it is one of three in the time of
#: two.
_TYPES: dict[Fraction, tuple[str, int, bool]] = {
    Fraction(4): ("whole", 0, False),
    Fraction(3): ("half", 1, False),
    Fraction(2): ("half", 0, False),
    Fraction(3, 2): ("quarter", 1, False),
    Fraction(1): ("quarter", 0, False),
    Fraction(3, 4): ("eighth", 1, False),
    Fraction(2, 3): ("quarter", 0, True),
    Fraction(1, 2): ("eighth", 0, False),
    Fraction(3, 8): ("16th", 1, False),
    Fraction(1, 3): ("eighth", 0, True),
    Fraction(1, 4): ("16th", 0, False),
    Fraction(1, 6): ("16th", 0, True),
    Fraction(1, 8): ("32nd", 0, False),
}


@dataclass(frozen=True)
class _Piece:
    """A note, a part of one, or a rest (no note), in quarter notes from the beginning of its bar."""

    start: Fraction
    length: Fraction
    note: FingeredNote | None
    tied_back: bool
    tied_on: bool


def write_bass_musicxml(path: Path, title: str, bassline: Sequence[FingeredNote], beats: Beats, seconds: float) -> None:
    """Write the bass line to ``path``. Raises InputError or OutputError if that fails, ValueError without a tempo."""
    if not beats.known:
        raise ValueError("the take has no tempo, and so no bars")
    write_whole(path, bass_musicxml(title, bassline, beats, seconds))


def bass_musicxml(title: str, bassline: Sequence[FingeredNote], beats: Beats, seconds: float) -> bytes:
    """Return the bass line as a MusicXML document, UTF-8."""
    score = ET.Element("score-partwise", version="4.0")
    ET.SubElement(ET.SubElement(score, "work"), "work-title").text = printable(title)
    encoding = ET.SubElement(ET.SubElement(score, "identification"), "encoding")
    ET.SubElement(encoding, "software").text = f"Thumbline {version('thumbline')}"
    listed = ET.SubElement(ET.SubElement(score, "part-list"), "score-part", id="P1")
    ET.SubElement(listed, "part-name").text = "Bass"
    part = ET.SubElement(score, "part", id="P1")
    for i, (bar, pieces) in enumerate(_bars(bassline, beats, seconds)):
        measure = ET.SubElement(part, "measure", number=str(bar))
        if bar < 1:
            measure.set("implicit", "yes")
        if i == 0:
            _attributes(measure, beats)
        for piece in pieces:
            _note(measure, piece)
    ET.indent(score, " ")
    head = (
        '<?xml version="1.0" encoding="UTF-8" standalone="no"?>\n'
        '<!DOCTYPE score-partwise PUBLIC "-//Recordare//DTD MusicXML 4.0 Partwise//EN"'
        ' "http://www.musicxml.org/dtds/partwise.dtd">\n'
    )
    return (head + ET.tostring(score, "unicode") + "\n").encode()


def _attributes(measure: ET.Element, beats: Beats) -> None:
    attributes = ET.SubElement(measure, "attributes")
    ET.SubElement(attributes, "divisions").text = str(DIVISIONS)
    time = ET.SubElement(attributes, "time")
    ET.SubElement(time, "beats").text = str(beats.beats_per_bar)
    ET.SubElement(time, "beat-type").text = "4"
    clef = ET.SubElement(attributes, "clef")
    ET.SubElement(clef, "sign").text = "TAB"
    ET.SubElement(clef, "line").text = str(len(OPEN_MIDI))
    details = ET.SubElement(attributes, "staff-details")
    ET.SubElement(details, "staff-lines").text = str(len(OPEN_MIDI))
    for line, midi in enumerate(reversed(OPEN_MIDI), 1):  # line 1 is the lowest
        tuning = ET.SubElement(details, "staff-tuning", line=str(line))
        step, alter, octave = _spelled(midi)
        ET.SubElement(tuning, "tuning-step").text = step
        if alter:
            ET.SubElement(tuning, "tuning-alter").text = str(alter)
        ET.SubElement(tuning, "tuning-octave").text = str(octave)
    direction = ET.SubElement(measure, "direction", placement="above")
    metronome = ET.SubElement(ET.SubElement(direction, "direction-type"), "metronome")
    ET.SubElement(metronome, "beat-unit").text = "quarter"
    bpm = f"{beats.bpm:.2f}".rstrip("0").rstrip(".")
    ET.SubElement(metronome, "per-minute").text = bpm
    ET.SubElement(direction, "sound", tempo=bpm)


def _spelled(midi: int) -> tuple[str, int, int]:
    """Step, alteration and octave of a key: black keys are sharps, as everywhere in the program."""
    name = midi_to_note(midi)
    return name[0], int("#" in name), midi // 12 - 1


def _note(measure: ET.Element, piece: _Piece) -> None:
    element = ET.SubElement(measure, "note")
    note = piece.note
    if note is None:
        ET.SubElement(element, "rest")
    else:
        step, alter, octave = _spelled(note.midi)
        pitch = ET.SubElement(element, "pitch")
        ET.SubElement(pitch, "step").text = step
        if alter:
            ET.SubElement(pitch, "alter").text = str(alter)
        ET.SubElement(pitch, "octave").text = str(octave)
    ET.SubElement(element, "duration").text = str(int(piece.length * DIVISIONS))
    ties = [kind for kind, tied in (("stop", piece.tied_back), ("start", piece.tied_on)) if tied]
    for kind in ties:
        ET.SubElement(element, "tie", type=kind)
    ET.SubElement(element, "voice").text = "1"
    name, dots, triplet = _TYPES[piece.length]
    ET.SubElement(element, "type").text = name
    for _ in range(dots):
        ET.SubElement(element, "dot")
    if triplet:
        modification = ET.SubElement(element, "time-modification")
        ET.SubElement(modification, "actual-notes").text = "3"
        ET.SubElement(modification, "normal-notes").text = "2"
    if note is None:
        return
    notations = ET.SubElement(element, "notations")
    for kind in ties:
        ET.SubElement(notations, "tied", type=kind)
    if note.fret is not None:
        technical = ET.SubElement(notations, "technical")
        ET.SubElement(technical, "string").text = str(note.string)
        ET.SubElement(technical, "fret").text = str(note.fret)
    elif not ties:
        element.remove(notations)


def _bars(bassline: Sequence[FingeredNote], beats: Beats, seconds: float) -> Iterator[tuple[int, list[_Piece]]]:
    """Every bar from that of the first note, or bar 1, to the last one, with what is in it."""
    parts = subdivision(bassline, beats)
    columns = parts * beats.beats_per_bar
    placed = columns_of(bassline, beats, parts, columns)
    starts = sorted(
        (((bar - 1) * columns + column, note) for (bar, column), note in placed.items()), key=lambda each: each[0]
    )
    index = np.arange(len(beats.times_s))
    spans: list[tuple[int, int, FingeredNote]] = []
    for i, (start, note) in enumerate(starts):
        end = max(start + 1, round((float(np.interp(note.offset_s, beats.times_s, index)) - beats.downbeat) * parts))
        spans.append((start, min(end, starts[i + 1][0]) if i + 1 < len(starts) else end, note))
    last_bar = max([ceil(span[1] / columns) for span in spans] + [len(beats.bars(seconds)), 1])
    first_bar = min([span[0] // columns for span in spans] + [0])
    for bar in range(first_bar, last_bar):
        low, high = bar * columns, (bar + 1) * columns
        pieces: list[_Piece] = []
        at = low
        for start, end, note in spans:
            if end <= low or start >= high:
                continue
            begin, stop = max(start, low), min(end, high)
            pieces += _pieces(at - low, begin - low, parts, None, False, False)
            pieces += _pieces(begin - low, stop - low, parts, note, start < low, end > high)
            at = stop
        pieces += _pieces(at - low, columns, parts, None, False, False)
        yield bar + 1, pieces


def _pieces(
    start: int, end: int, parts: int, note: FingeredNote | None, tied_back: bool, tied_on: bool
) -> list[_Piece]:
    """Cut what lasts from one column to another into lengths that can be written."""
    cuts = [Fraction(start, parts)]
    stop = Fraction(end, parts)
    while cuts[-1] < stop:
        at, left = cuts[-1], stop - cuts[-1]
        beat_end = Fraction(int(at) + 1)
        room = left if at.denominator == 1 and left >= 1 else min(left, beat_end - at)
        room = Fraction(int(room)) if room >= 1 else room  # whole beats first
        cuts.append(at + max(length for length in _TYPES if length <= room and _fits(length, room, parts)))
    last = len(cuts) - 2
    return [
        _Piece(
            cuts[i],
            cuts[i + 1] - cuts[i],
            note,
            note is not None and (tied_back or i > 0),
            note is not None and (tied_on or i < last),
        )
        for i in range(last + 1)
    ]


def _fits(length: Fraction, room: Fraction, parts: int) -> bool:
    """Whether what is left of ``room`` after ``length`` is whole columns too."""
    return ((room - length) * parts).denominator == 1 and (length * parts).denominator == 1
