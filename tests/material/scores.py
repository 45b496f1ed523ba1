"""Written music as performances: fiddle tunes and chorales, none of them written for a guitar.

The corpus that music21 brings (M. S. Cuthbert, C. Ariza, ISMIR 2010; music21 is BSD-3-Clause, each file says its own
licence): Ryan's Mammoth Collection (1883) as solos, and chorales of J. S. Bach, whose lowest part goes to the low
strings and whose others go to the high ones. The hand is as uneven as a player's; the tempo is drawn. Beats are the
quarters of 4/4 and 3/4; other times are left out, since what their beat is depends on who plays.
"""

import io
from collections.abc import Iterator
from contextlib import redirect_stderr
from pathlib import Path

import numpy as np
from music21 import converter, corpus, harmony, meter, stream
from music21.exceptions21 import Music21Exception

from tests.material.performances import Performance, draw_tempo, from_notes
from thumbline.dsp.scoring.truth import TrueNote

#: Folder of the corpus, how many pieces, the tempos that they are played at (common practice, no source).
PIECES = {
    "ryansMammoth": (30, (90, 190)),
    "bach": (20, (60, 110)),
}
SHORTEST_S, LONGEST_S, FEWEST_NOTES = 14.0, 32.0, 24
#: A note: where it begins and how many quarters it lasts, its key number.
Written = tuple[float, float, float]


def scores() -> Iterator[tuple[str, Performance]]:
    """Folder, and performance."""
    for folder, (count, tempos) in PIECES.items():
        paths = sorted(
            path for path in corpus.getPaths() if folder in Path(path).parts and Path(path).suffix != ".rntxt"
        )
        order = np.random.default_rng(7).permutation(len(paths))
        found = 0
        for seed in order.tolist():
            performance = _performance(Path(paths[seed]), tempos, np.random.default_rng(seed))
            if performance is None:
                continue
            yield folder, performance
            found += 1
            if found == count:
                break


def _performance(path: Path, tempos: tuple[int, int], rng: np.random.Generator) -> Performance | None:
    try:
        with redirect_stderr(io.StringIO()):
            score = converter.parse(path)
    except Music21Exception:
        return None
    if not isinstance(score, stream.Score):
        return None
    beat_s = 60.0 / round(draw_tempo(rng, *tempos))
    times = {time.ratioString for time in score.recurse().getElementsByClass(meter.TimeSignature)}
    if not times or not times <= {"4/4", "3/4"} or len(times) > 1:
        return None
    beats_per_bar = int(times.pop()[0])
    parts = [_written(part) for part in score.parts]
    parts = [part for part in parts if part]
    lines = [float(bar.offset) for bar in score.parts[0].getElementsByClass(stream.Measure)]
    if not parts or len(lines) < 4:
        return None
    begin = lines[0] if lines[1] - lines[0] == beats_per_bar else lines[1] - beats_per_bar
    end = begin + LONGEST_S / beat_s
    notes = _played(parts, begin, end, beat_s, rng)
    if len(notes) < FEWEST_NOTES or max(note.onset_s for note in notes) < SHORTEST_S:
        return None
    first_s = min(note.onset_s for note in notes)
    start_s = float(rng.uniform(0.2, 1.2)) - first_s
    moved = [TrueNote(n.string, n.midi, n.onset_s + start_s, n.offset_s + start_s, 0.0, n.faded_s) for n in notes]
    beats_s = start_s + beat_s * np.arange(-2.0 * beats_per_bar, int(LONGEST_S / beat_s) + 8.0)
    return from_notes(f"score-{path.stem}", moved, beats_s, 2 * beats_per_bar, beats_per_bar, steady=True)


def _written(part: stream.Part) -> list[Written]:
    """Notes of a part, ties joined; of chords each note."""
    rows: list[Written] = []
    for note in part.flatten().stripTies().notes:
        if note.quarterLength > 0 and not isinstance(note, harmony.ChordSymbol):
            rows += [(float(note.offset), float(note.quarterLength), float(pitch.midi)) for pitch in note.pitches]
    return rows


def _played(
    parts: list[list[Written]], begin: float, end: float, beat_s: float, rng: np.random.Generator
) -> list[TrueNote]:
    """Notes on strings; times are counted from the bar line at ``begin``."""
    uneven_s, spread_s = rng.uniform(0.005, 0.02), rng.uniform(0.002, 0.01)
    hand: dict[float, float] = {}
    notes: list[TrueNote] = []
    for rank, part in enumerate(reversed(parts)):
        for offset, quarters, key in part:
            if not begin - 4.0 <= offset < end:
                continue
            late_s = hand.setdefault(offset, float(rng.normal(0.0, uneven_s)))
            onset_s = (offset - begin) * beat_s + late_s + rank * spread_s + float(rng.normal(0.0, 0.003))
            last_s = max((offset + quarters - begin) * beat_s, onset_s + 0.06)
            lowest = len(parts) > 1 and rank == 0
            midi = (key - 40.0) % 12.0 + 40.0 if lowest else (key - 52.0) % 24.0 + 52.0
            string = (6 if midi < 45.0 else 5) if lowest else max(4 - rank, 1) if len(parts) > 1 else _string(midi)
            notes.append(TrueNote(string, midi, onset_s, last_s, 0.0, float(rng.integers(76, 98))))
    return notes


def _string(midi: float) -> int:
    return next(string for string, lowest in ((1, 64), (2, 59), (3, 55), (4, 0)) if midi >= lowest)
