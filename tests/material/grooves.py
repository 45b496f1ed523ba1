"""Grooves of an accompaniment program as performances: patterns of bass and chords that somebody else wrote.

The program is MMA, Musical MIDI Accompaniment (Debian package ``mma`` 21.09, GPL-2.0), made to accompany singers and
soloists. `tests.material.groove_files` has it play; its files are not part of the project. Here the track of the bass
(or the walking bass) goes to the low strings, and one track of chords to the others, by a hand as uneven as a player's;
the tempo is drawn.
"""

import re
from collections.abc import Iterator
from pathlib import Path

import mido
import numpy as np

from tests.material.performances import Performance, Rng, draw_tempo, from_notes
from thumbline.dsp.scoring.truth import TrueNote

#: Tempos at which styles are played, by what their names contain: the first that fits (common practice, no source).
TEMPOS = {
    "waltz": (90, 180),
    "ballad": (55, 85),
    "slow": (60, 95),
    "fast": (160, 220),
    "bossa": (110, 150),
    "swing": (110, 200),
    "jazz": (100, 200),
    "bebop": (160, 230),
    "polka": (100, 130),
    "march": (100, 125),
    "rock": (95, 150),
    "funk": (85, 115),
    "country": (90, 180),
    "blues": (70, 140),
    "tango": (100, 130),
    "samba": (90, 120),
    "hymn": (70, 100),
    "lullaby": (60, 90),
    "": (85, 160),
}
BASS, CHORDS = re.compile("bass|walk", re.IGNORECASE), re.compile("chord|arpeggio|scale|aria|plectrum", re.IGNORECASE)
#: (start, end, key number, velocity), in beats.
Row = tuple[float, float, float, float]


def grooves(folder: Path) -> Iterator[Performance]:
    """Each file of ``folder`` that has bass and chords and counts quarters, 3 to 5 per bar."""
    for seed, path in enumerate(sorted(folder.glob("*.mid"))):
        beats_per_bar, unit, tracks = _tracks(path)
        bass = next((rows for name, rows in tracks.items() if BASS.match(name)), [])
        chords = [(name, rows) for name, rows in tracks.items() if CHORDS.match(name)]
        if unit != 4 or not 3 <= beats_per_bar <= 5 or len(bass) < 12 or not chords:
            continue
        rng = np.random.default_rng(seed)
        chord = next((rows for name, rows in chords if "uitar" in name), chords[int(rng.integers(len(chords)))][1])
        slowest, fastest = next(tempos for part, tempos in TEMPOS.items() if part in path.stem.lower())
        beat_s = 60.0 / round(draw_tempo(rng, slowest, fastest))
        yield _performance(f"groove-{path.stem}", bass, chord, beat_s, beats_per_bar, rng)


def _tracks(path: Path) -> tuple[int, int, dict[str, list[Row]]]:
    """Beats per bar, what note a beat is, and the notes of each track by its name."""
    file = mido.MidiFile(path)
    beats_per_bar, unit = 4, 4
    tracks: dict[str, list[Row]] = {}
    for track in file.tracks:
        tick, begun = 0, {}
        for message in track:
            tick += message.time
            if message.type == "time_signature":
                beats_per_bar, unit = message.numerator, message.denominator
            if message.type == "note_on" and message.velocity:
                begun[message.note] = (tick, message.velocity)
            elif message.type in ("note_on", "note_off") and message.note in begun:
                start, velocity = begun.pop(message.note)
                per_beat = file.ticks_per_beat
                row = (start / per_beat, tick / per_beat, float(message.note), float(velocity))
                tracks.setdefault(track.name, []).append(row)
    return beats_per_bar, unit, tracks


def _performance(
    name: str, bass: list[Row], chord: list[Row], beat_s: float, beats_per_bar: int, rng: Rng
) -> Performance:
    begin_s, uneven_s, spread_s = rng.uniform(0.2, 1.2), rng.uniform(0.005, 0.018), rng.uniform(0.002, 0.01)
    hand: dict[int, float] = {}
    notes: list[TrueNote] = []

    def add(row: Row, string: int, key: float, rank: int) -> None:
        start, end, _, velocity = row
        late_s = hand.setdefault(round(24 * start), float(rng.normal(0.0, uneven_s)))
        onset_s = max(begin_s + start * beat_s + late_s + rank * spread_s + float(rng.normal(0.0, 0.003)), 0.0)
        notes.append(TrueNote(string, key, onset_s, max(begin_s + end * beat_s, onset_s + 0.06), 0.0, velocity))

    for row in bass:
        key = (row[2] - 40.0) % 12.0 + 40.0
        add(row, 6 if key < 45.0 else 5, key, 0)
    strums: dict[int, dict[float, Row]] = {}
    for row in chord:
        strums.setdefault(round(24 * row[0]), {})[(row[2] - 52.0) % 12.0 + 52.0] = row
    for strum in strums.values():
        upper = sorted(strum.items())[-3:]
        for rank, (key, row) in enumerate(upper):
            add(row, max(3, len(upper)) - rank, key, rank)
    last = max(note.onset_s for note in notes)
    beats_s = begin_s + beat_s * np.arange(-2.0, int(last / beat_s) + 4.0)
    return from_notes(name, notes, beats_s, 2, beats_per_bar, steady=True)
