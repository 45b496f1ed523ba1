"""Made performances of the usual ways to play bass and chords on one guitar, as notes with the beats that were meant.

Each style is a rule that writes a bar for a chord: where the thumb, the chords and the melody fall. A performance draws
its tempo (within what the style is played at), chords, pattern and player: how uneven the hand is, how late strings of
a strum follow each other, how many notes are missing. The rules are common practice, with no source. They are made for
`thumbline.dsp.beats` and for nothing else: there are no sounds.
"""

from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from thumbline.dsp.beats.features import PREFERRED_BPM, PREFERRED_OCTAVES
from thumbline.dsp.processor.notes import Note
from thumbline.dsp.processor.settled_line import PASSING_S
from thumbline.dsp.scoring.true_bass import TrueBass
from thumbline.dsp.scoring.truth import TrueNote


@dataclass(frozen=True)
class Performance:
    """A performance and its beats."""

    name: str
    notes: tuple[Note, ...]
    bassline: tuple[Note, ...]
    beats_s: NDArray[np.float64]  #: none where nobody keeps time
    bar_1: int  #: index of the beat on which a bar begins
    beats_per_bar: int
    steady: bool

    @property
    def end_s(self) -> float:
        """When the last note ends."""
        return max(note.offset_s for note in self.notes)


@dataclass(frozen=True)
class Stroke:
    """Strings played together."""

    beat: float  #: within the bar
    pitches: tuple[tuple[int, float], ...]  #: string and key number
    beats: float  #: how long they sound
    level: int = 88  #: MIDI velocity
    up: bool = False  #: the highest string first


@dataclass(frozen=True)
class Chord:
    """Where the hand is."""

    low: tuple[int, float]  #: the root: string and key number
    fifth: tuple[int, float]  #: another bass note of the chord
    high: tuple[tuple[int, float], ...]  #: the upper strings, lowest first
    scale: tuple[float, ...]  #: keys of a melody above


Bar = Iterator[Stroke]
Rng = np.random.Generator


def _chord(rng: Rng) -> Chord:
    root = float(rng.integers(40, 52))
    low = (6 if root < 46 else 5, root)
    fifth = (5, root + 7.0) if low[0] == 6 else (6, root - 5.0 if root >= 45 else root)
    third = float(rng.choice([3, 4]))
    base = root + 12.0
    high = ((4, base), (3, base + third), (2, base + 7.0), (1, base + 12.0))
    return Chord(low, fifth, high, tuple(base + 12.0 + step for step in (0, 2, third, 5, 7, 9, 12)))


def _some(rng: Rng, chord: Chord, most: int = 4) -> tuple[tuple[int, float], ...]:
    count = int(rng.integers(2, most + 1))
    first = int(rng.integers(0, 5 - count))
    return chord.high[first : first + count]


def _bossa(rng: Rng, chord: Chord, bar: int) -> Bar:
    for beat, pitch in ((0.0, chord.low), (2.0, chord.fifth)):
        yield Stroke(beat, (pitch,), 1.9)
        if rng.random() < 0.4:
            yield Stroke(beat + 1.5, (chord.fifth if beat == 0.0 else chord.low,), 0.4, 74)
    for beat in ((0.0, 1.0, 2.5), (0.5, 1.5, 3.0))[bar % 2] if rng.random() < 0.8 else (0.0, 1.5, 3.0):
        yield Stroke(beat, chord.high[:3], 0.6, 84)


def _walking(rng: Rng, chord: Chord, bar: int) -> Bar:
    steps = rng.choice([0.0, 2.0, 3.0, 4.0, 5.0, 7.0, -1.0, -2.0], 4)
    steps[0] = 0.0
    for beat, step in enumerate(steps):
        yield Stroke(float(beat), ((chord.low[0], max(chord.low[1] + step, 40.0)),), 0.9, 88 + 4 * (beat % 2))
        if rng.random() < 0.08:
            yield Stroke(beat + 2 / 3, ((chord.low[0], chord.low[1]),), 0.3, 70)
    for beat in ((0.0, 1.67), (1.0, 3.0), (1.67,), (0.67, 2.67), (1.67, 3.67), (3.0,))[int(rng.integers(6))]:
        yield Stroke(beat, chord.high[:3], 0.5, 80)


def _thumb(rng: Rng, chord: Chord, bar: int) -> Bar:
    for beat in range(4):
        yield Stroke(float(beat), (chord.low if beat % 2 == 0 else (4, chord.high[0][1]),), 0.95, 92 - 8 * (beat % 2))
    for eighth in range(8):
        if rng.random() < (0.45 if eighth % 2 else 0.35):
            string = int(rng.integers(1, 4))
            yield Stroke(eighth / 2, ((string, float(rng.choice(chord.scale))),), 0.8, 84)


def _boom_chick(rng: Rng, chord: Chord, bar: int) -> Bar:
    for beat, pitch in ((0.0, chord.low), (2.0, chord.fifth)):
        yield Stroke(beat, (pitch,), 0.9, 94)
        yield Stroke(beat + 1.0, chord.high, 0.7, 86)
        if rng.random() < 0.4:
            yield Stroke(beat + 1.5, chord.high[1:], 0.4, 72, up=True)
    if bar % 4 == 3 and rng.random() < 0.5:
        yield Stroke(3.5, ((chord.low[0], max(chord.low[1] - 2.0, 40.0)),), 0.4, 84)


def _waltz(rng: Rng, chord: Chord, bar: int) -> Bar:
    yield Stroke(0.0, (chord.low if bar % 2 == 0 else chord.fifth,), 0.95, 94)
    for beat in (1.0, 2.0):
        yield Stroke(beat, chord.high[:3], 0.8, 82)
    for eighth in range(6):
        if rng.random() < 0.25:
            yield Stroke(eighth / 2, ((1, float(rng.choice(chord.scale))),), 0.9, 88)


def _shuffle(rng: Rng, chord: Chord, bar: int) -> Bar:
    for beat in range(4):
        above = 7.0 + 2.0 * (beat % 2)
        pair = (chord.low, (chord.low[0] - 1, chord.low[1] + above))
        yield Stroke(float(beat), pair, 0.6, 92)
        if rng.random() < 0.85:
            yield Stroke(beat + 2 / 3, pair, 0.3, 78)
    if rng.random() < 0.3:
        yield Stroke(3 + 2 / 3, chord.high[1:], 0.3, 84)


def _funk(rng: Rng, chord: Chord, bar: int) -> Bar:
    seed = np.random.default_rng(int(chord.high[0][1] * 7) % 5)  # the pattern comes again with its chord
    played = seed.random(16) < np.tile([0.75, 0.3, 0.55, 0.35], 4)
    played[0] = True
    for sixteenth in np.flatnonzero(played):
        yield Stroke(sixteenth / 4, _some(rng, chord), 0.22, int(rng.integers(70, 96)), up=bool(sixteenth % 2))
    for sixteenth in (0, *(np.flatnonzero(seed.random(16) < 0.15))):
        yield Stroke(sixteenth / 4, (chord.low,), 0.4, 96)


def _ballad(rng: Rng, chord: Chord, bar: int) -> Bar:
    for beat, pitch in ((0.0, chord.low), (2.0, chord.fifth)):
        yield Stroke(beat, (pitch, *(chord.high[1:] if rng.random() < 0.5 else ())), 1.95, 88)
    for beat in (1.0, 3.0):
        if rng.random() < 0.45:
            yield Stroke(beat, chord.high[1:3], 0.9, 78)
        if rng.random() < 0.25:
            yield Stroke(beat + 0.5, ((1, float(rng.choice(chord.scale))),), 0.5, 80)


def _arpeggio(rng: Rng, chord: Chord, bar: int) -> Bar:
    order = (None, 1, 2, 3, None, 2, 1, 2) if int(chord.low[1]) % 2 else (None, 0, 1, 2, 3, 2, 1, 0)
    for eighth, at in enumerate(order):
        pitch = (chord.low if eighth == 0 else chord.fifth) if at is None else chord.high[at]
        yield Stroke(eighth / 2, (pitch,), 1.4, 92 if at is None else 80)


def _strummed(rng: Rng, chord: Chord, bar: int) -> Bar:
    ups = ((1.5, 2.5, 3.5), (0.5, 1.5, 2.5, 3.5), (1.5, 3.5), (2.5, 3.5))[int(chord.low[1]) % 4]
    skipped = 2.0 if 2.5 in ups and int(chord.low[1]) % 3 == 0 else None
    for beat in (0.0, 1.0, 2.0, 3.0):
        if beat != skipped:
            strings = (chord.low, *chord.high) if beat == 0.0 or rng.random() < 0.6 else chord.high
            yield Stroke(beat, strings, 0.6, 92 if beat % 2 else 86)
    for beat in ups:
        yield Stroke(beat, chord.high[1:], 0.4, 74, up=True)


def _offbeats(rng: Rng, chord: Chord, bar: int) -> Bar:
    for beat in range(4):
        yield Stroke(beat + 0.5, chord.high[:3], 0.25, 86, up=True)
    for beat, pitch in ((0.0, chord.low), (1.5, chord.fifth), (2.0, chord.low), (3.0, chord.fifth)):
        if beat == 0.0 or rng.random() < 0.6:
            yield Stroke(beat, (pitch,), 0.8, 92)


def _pedal(rng: Rng, chord: Chord, bar: int) -> Bar:
    for eighth in range(8):
        yield Stroke(
            eighth / 2, (chord.low, (chord.low[0] - 1, chord.low[1] + 7.0)), 0.4, 96 if eighth % 2 == 0 else 84
        )
    for beat in (0.0, 1.5, 3.0) if rng.random() < 0.5 else (1.0, 3.0):
        yield Stroke(beat, chord.high[1:3], 0.5, 96)


def _melody(rng: Rng, chord: Chord, bar: int) -> Bar:
    beat = float(rng.choice([0.0, 0.0, 0.0, 0.5, 1.0]))
    while beat < 4.0:
        long = float(rng.choice([0.5, 0.5, 0.5, 1.0, 1.0, 1.5]))
        if rng.random() < 0.85:
            key = float(rng.choice(chord.scale)) - 12.0 * (rng.random() < 0.5)
            yield Stroke(beat, ((int(np.clip(round((76.0 - key) / 5.0), 1, 5)), key),), 0.9 * long, 84)
        beat += long


def _six_eight(rng: Rng, chord: Chord, bar: int) -> Bar:
    for beat in range(4):
        yield Stroke(float(beat), (chord.low if beat % 2 == 0 else chord.fifth,), 0.9, 92)
        for third, at in ((1, 1), (2, 2)):
            if rng.random() < 0.9:
                yield Stroke(beat + third / 3, (chord.high[at],), 0.6, 80)


@dataclass(frozen=True)
class Style:
    """A way to play."""

    bar: Callable[[Rng, Chord, int], Bar]
    slowest: float  #: bpm
    fastest: float
    beats: int = 4
    swings: bool = False  #: eighths between beats may swing


STYLES = {
    "bossa": Style(_bossa, 100, 165),
    "walking": Style(_walking, 90, 220, swings=True),
    "thumb": Style(_thumb, 75, 190),
    "boom-chick": Style(_boom_chick, 85, 215),
    "waltz": Style(_waltz, 85, 190, 3),
    "shuffle": Style(_shuffle, 85, 160),
    "funk": Style(_funk, 80, 120),
    "ballad": Style(_ballad, 50, 90),
    "arpeggio": Style(_arpeggio, 65, 130),
    "strummed": Style(_strummed, 75, 150),
    "offbeats": Style(_offbeats, 70, 150),
    "pedal": Style(_pedal, 95, 180),
    "melody": Style(_melody, 80, 180, swings=True),
    "six-eight": Style(_six_eight, 45, 80),
}


def perform(style: str, seed: int, pace: str = "steady", bars: int | None = None) -> Performance:
    """Play ``style``. ``pace``: steady, faster or slower (by a sixth to a third), or free: no beat is kept."""
    rng = np.random.default_rng([seed, *style.encode()])
    how = STYLES[style]
    beat_s = 60.0 / draw_tempo(rng, how.slowest, how.fastest)
    if pace == "steady" and rng.random() < 0.8:
        beat_s = 60.0 / round(60.0 / beat_s)
    bars = bars or int(np.clip(rng.uniform(18.0, 45.0) / (beat_s * how.beats), 6, 40))
    pickup = float(rng.choice([0.0, 0.0, 0.0, 0.5, 1.0, 1.5]))
    beats = _beats(rng, beat_s, bars * how.beats + 2 + 1, pace)
    strokes = list(_written(rng, how, bars))
    if pickup:
        chord = _chord(rng)
        strokes += [
            Stroke(-x, ((2, float(rng.choice(chord.scale))),), 0.4, 80) for x in np.arange(0.5, pickup + 0.1, 0.5)
        ]
    swing = float(rng.uniform(0.58, 0.67)) if how.swings and rng.random() < 0.6 else 0.5
    notes = _played(rng, strokes, beats, swing, pace)
    return from_notes(
        f"{style}-{pace}-{seed}", notes, beats if pace != "free" else beats[:0], 2, how.beats, pace == "steady"
    )


def draw_tempo(rng: Rng, slowest: float, fastest: float) -> float:
    """Draw a tempo as people prefer them (Moelants 2002, see `thumbline.dsp.beats.features`), within a range."""
    while True:
        bpm = PREFERRED_BPM * 2.0 ** rng.normal(0.0, PREFERRED_OCTAVES)
        if slowest <= bpm <= fastest:
            return bpm


def _written(rng: Rng, how: Style, bars: int) -> Iterator[Stroke]:
    chords = [_chord(rng) for _ in range(4)]
    each = int(rng.choice([1, 1, 1, 2]))
    for bar in range(bars):
        for stroke in how.bar(rng, chords[bar // each % 4], bar):
            yield Stroke(bar * how.beats + stroke.beat, stroke.pitches, stroke.beats, stroke.level, stroke.up)
    yield Stroke(float(bars * how.beats), (chords[0].low, *chords[0].high[:2]), 2.0, 88)


def _beats(rng: Rng, beat_s: float, count: int, pace: str) -> NDArray[np.float64]:
    """Times of the beats; two lie before bar 1."""
    at = np.linspace(0.0, 1.0, count + 2)
    lengths = np.full(count + 2, beat_s)
    if pace in ("faster", "slower"):
        lengths *= 2.0 ** ((1.0 if pace == "slower" else -1.0) * rng.uniform(0.22, 0.45) * at)
        lengths *= 1.0 + 0.015 * np.cumsum(rng.normal(0.0, 0.3, count + 2)) / np.sqrt(count)
    elif pace == "free":
        slow = np.convolve(rng.normal(0.0, 1.0, count + 6), np.ones(3) / 3.0, "valid")[: count + 2]
        lengths *= np.clip(1.0 + 0.55 * slow, 0.35, 2.4)
    return float(rng.uniform(0.2, 1.2)) + np.cumsum(lengths)


def _played(rng: Rng, strokes: list[Stroke], beats: NDArray[np.float64], swing: float, pace: str) -> list[TrueNote]:
    uneven, spread = rng.uniform(0.005, 0.02), rng.uniform(0.003, 0.011)
    missing, late = rng.uniform(0.0, 0.08), rng.normal(0.0, 0.006)
    uneven = uneven if pace != "free" else 0.05
    played: list[TrueNote] = []
    for stroke in sorted(strokes, key=lambda s: s.beat):
        within = stroke.beat % 1.0
        beat = stroke.beat + (swing - 0.5 if abs(within - 0.5) < 0.01 else 0.0)
        hand = rng.normal(0.0, uneven) + late
        for rank, (string, key) in enumerate(stroke.pitches[::-1] if stroke.up else stroke.pitches):
            if rng.random() < missing:
                continue
            begin, end = np.interp([beat + 2.0, beat + 2.0 + stroke.beats], np.arange(len(beats)), beats)
            onset = max(float(begin) + hand + rank * spread * (len(stroke.pitches) > 2) + rng.normal(0.0, 0.003), 0.0)
            played.append(TrueNote(string, key, onset, max(float(end), onset + 0.06), 0.0, float(stroke.level)))
    return played


def from_notes(
    name: str, notes: list[TrueNote], beats_s: NDArray[np.float64], bar_1: int, beats_per_bar: int, steady: bool
) -> Performance:
    """A performance of these notes, whose ``faded_s`` holds the MIDI velocity; one string sounds one note at a time."""
    ended: list[TrueNote] = []
    after: dict[int, float] = {}
    levels: list[int] = []
    for note in sorted(notes, key=lambda n: -n.onset_s):
        end = min(note.offset_s, after.get(note.string, np.inf) - 0.005)
        if end < note.onset_s + 0.03:
            continue
        after[note.string] = note.onset_s
        ended.append(TrueNote(note.string, note.midi, note.onset_s, end, end, end))
        levels.append(int(note.faded_s))
    order = sorted(range(len(ended)), key=lambda i: ended[i].onset_s)
    rows = tuple(as_note(ended[i].onset_s, ended[i].offset_s, ended[i].string, ended[i].midi, levels[i]) for i in order)
    stretches = TrueBass([ended[i] for i in order]).stretches
    line = tuple(
        as_note(s.onset_s, s.offset_s, s.string, s.midi) for s in stretches if s.offset_s - s.onset_s >= PASSING_S
    )
    return Performance(name, rows, line, beats_s, bar_1, beats_per_bar, steady)


def as_note(onset_s: float, offset_s: float, string: int, midi: float, velocity: int = 88) -> Note:
    """Return a row of the tables; what the beat does not ask for is of no meaning."""
    return Note(onset_s, offset_s, string, 0, midi, "", 440.0, 0.0, velocity)


def without_a_beat(seed: int, source: Performance | None) -> Performance:
    """The notes of ``source``, each moved by up to half a second; or notes of unrelated lengths."""
    rng = np.random.default_rng(seed)
    if source is not None:
        moved = [(n.string, n.midi, max(n.onset_s + float(rng.uniform(-0.5, 0.5)), 0.0)) for n in source.notes]
    else:
        steps = rng.exponential(0.4, 80) + 0.05 if seed % 4 else rng.lognormal(np.log(0.35), 0.5, 80)
        moved = [(int(rng.integers(1, 7)), float(rng.integers(40, 64)), float(t)) for t in 0.3 + np.cumsum(steps)]
    notes = [TrueNote(string, midi, onset_s, onset_s + 0.25, 0.0, 88.0) for string, midi, onset_s in moved]
    return from_notes(f"without-{seed}", notes, np.zeros(0), 0, 4, steady=False)
