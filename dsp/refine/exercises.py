"""Exercises: takes with known notes, put together from a take in which each string is played alone.

Each open string that was plucked alone is cut out with all channels, so that its bleed comes along as it is, and placed
anew: a bass line on the lower strings, and notes on the others above it, harder and softer, let ring or stopped. Mains
hum is taken out first, or every copy would bring its own. What an exercise cannot tell is what the open strings do not
say: frets, bends, knocks, and strings harder played than then.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from thumbline.dsp.decibels import amplitude_of
from thumbline.dsp.errors import InputError, printable
from thumbline.dsp.files.takes import open_take
from thumbline.dsp.memory.records import LEFT, RIGHT
from thumbline.dsp.processor.notes import Note, in_order
from thumbline.dsp.processor.processor import Processor
from thumbline.dsp.processor.transcript import transcribe
from thumbline.dsp.refine.known_takes import BLOCK, KnownTake
from thumbline.dsp.rig.model import Rig
from thumbline.dsp.scoring.true_bass import TrueBass
from thumbline.dsp.scoring.truth import TrueNote

EXERCISES, SECONDS, SEED = 4, 14.0, 1733
#: A note of the take is used if it lasts this long and is this near to its open string.
SHORTEST_S, NEAREST_CENTS = 0.2, 150.0
#: A cut begins this long before its note, and ends this long before the next; it lasts this long at most, in seconds.
BEFORE_S, BEFORE_NEXT_S, LONGEST_S = 0.01, 0.03, 2.5
#: How soon a hand stops a string, and when by then it has fallen by 40 dB, in seconds.
STOP_S, STOPPED_S = 0.008, 0.007
#: How much softer than in the take a note is played, in dB.
SOFTER_DB = (0.0, -5.0, -10.0)
#: A bass note must be found within this of its onset, in seconds. A threshold that is too high finds open strings up to
#: 15 ms late; notes that begin more softly, of which the open strings tell nothing, it finds 20 ms late and more.
TOLERANCE_S = 0.01
FADES_DB, FADED_DB, LEVEL_WINDOW_S = 26.0, 42.0, 0.02
#: A quiet stretch is taken from the beginning of the take, after the hum has been learned, in seconds.
LEARNED_S, SHORTEST_QUIET_S = 0.15, 0.1


@dataclass(frozen=True)
class Cut:
    """One note with all channels."""

    string: int
    midi: float
    sound: NDArray[np.float64]  #: (n, strings), from ``BEFORE_S`` before the onset
    fades_s: float  #: after the onset, by 26 dB; infinite if it does not
    faded_s: float  #: by 42 dB


def plain_input(rig: Rig) -> Rig:
    """Return the rig as exercises need it: one channel per string in their order, levelled, without hum."""
    n = rig.string_count
    plain = {"channels": tuple(range(1, n + 1)), "trim_db": (0.0,) * n, "invert": (), "mains_hz": "off"}
    return rig.changed({"input": plain})


def make_exercises(path: Path, rig: Rig) -> list[KnownTake]:
    """Return exercises from the take at ``path``; ``rig`` was calibrated with it.

    Of each string, exercises 1, 3, ... use every second pluck and exercises 2, 4, ... the others, so that a search on
    some has not heard the others. Raises InputError for a take in which fewer than two strings are played alone.
    """
    with open_take(path, rig.string_count, rig.input.channels, rig.instrument.strings) as take:
        parts = list(take.blocks(BLOCK))
        rate = take.sample_rate
    notes = _notes_alone(parts, rig, rate)
    if len({note.string for note, _ in notes}) < 2:
        raise InputError(
            f"{printable(path)}: fewer than two strings are plucked alone; accepted: a take in which each open string "
            "is plucked a few times while the others are still"
        )
    clean = _without_hum(parts, rig, rate)
    quiet = clean[round(LEARNED_S * rate) : max(0, round((notes[0][0].onset_s - BEFORE_NEXT_S) * rate))]
    cuts = [_cut(clean, note, end_s, rate) for note, end_s in notes]
    rng = np.random.default_rng(SEED)
    return [_exercise(number, _every_second(cuts, number), quiet, rate, rng) for number in range(EXERCISES)]


def _notes_alone(parts: Sequence[NDArray[np.float64]], rig: Rig, rate: int) -> list[tuple[Note, float]]:
    """Return each open string's note that sounds alone, and until when it does, in order of time."""
    notes = sorted(transcribe(Processor(rig, rate), parts).notes, key=lambda note: note.onset_s)
    total_s = sum(map(len, parts)) / rate
    alone: list[tuple[Note, float]] = []
    for index, note in enumerate(notes):
        following_s = notes[index + 1].onset_s - BEFORE_NEXT_S if index + 1 < len(notes) else total_s
        end_s = min(following_s, note.onset_s + LONGEST_S)
        others = [other for other in notes[:index] if other.string != note.string and other.offset_s > note.onset_s]
        is_open = abs(note.midi - rig.open_midi[note.string - 1]) * 100.0 < NEAREST_CENTS
        if is_open and not others and min(end_s, note.offset_s) - note.onset_s >= SHORTEST_S:
            alone.append((note, end_s))
    return alone


def _without_hum(parts: Sequence[NDArray[np.float64]], rig: Rig, rate: int) -> NDArray[np.float64]:
    """Return the strings' channels, (n, strings), levelled, with their bleed and without hum.

    The processor's two guitar outputs carry two strings at a time.
    """
    through = rig.changed(
        {
            "bleed.matrix": "off",
            "guitar.strings": "all",
            "guitar.level_db": 0.0,
            "guitar.stereo": True,
            "live": {},  # its outputs are for the guitar as it was
            "output.ceiling_db": 0.0,
        }
    )
    columns: list[NDArray[np.float64]] = []
    for first in range(0, rig.string_count, 2):
        processor = Processor(through, rate)
        pan = processor.state[0]["now"]["pan"]  # what is heard, which a rig's pan could not say: some strings nowhere
        pan[:] = 0.0
        pan[first, 0] = 1.0
        if first + 1 < rig.string_count:
            pan[first + 1, 1] = 1.0
        sound = np.concatenate([processor.process(part)[0][:, [LEFT, RIGHT]] for part in parts])
        columns += [sound[:, 0], sound[:, 1]]
    return np.column_stack(columns[: rig.string_count])


def _cut(clean: NDArray[np.float64], note: Note, end_s: float, rate: int) -> Cut:
    first = max(0, round((note.onset_s - BEFORE_S) * rate))
    sound = clean[first : max(round(end_s * rate), first + 1)].copy()
    ramp = min(len(sound), round(BEFORE_S * rate / 2))
    sound[:ramp] *= np.linspace(0.0, 1.0, ramp)[:, np.newaxis]
    length = max(1, round(LEVEL_WINDOW_S * rate))
    power = np.convolve(sound[:, note.string - 1] ** 2, np.full(length, 1.0 / length), "same")
    peak = int(np.argmax(power))

    def fallen_s(by_db: float) -> float:
        below = np.flatnonzero(power[peak:] < power[peak] * 10.0 ** (-by_db / 10.0))
        return (peak + int(below[0])) / rate - BEFORE_S if len(below) else np.inf

    return Cut(note.string, note.midi, sound, fallen_s(FADES_DB), fallen_s(FADED_DB))


def _every_second(cuts: Sequence[Cut], number: int) -> dict[int, list[Cut]]:
    """Return each string's cuts with an index as odd or even as ``number``, or its only one."""
    by_string: dict[int, list[Cut]] = {}
    for cut in cuts:
        by_string.setdefault(cut.string, []).append(cut)
    return {string: each[number % 2 :: 2] or each for string, each in by_string.items()}


def _exercise(
    number: int, cuts: dict[int, list[Cut]], quiet: NDArray[np.float64], rate: int, rng: np.random.Generator
) -> KnownTake:
    strings = sorted(cuts)
    low = strings[len(strings) // 2 :]
    frames = _noise(quiet, round(SECONDS * rate), rate, rng)
    if not len(frames):
        frames = np.zeros((round(SECONDS * rate), cuts[strings[0]][0].sound.shape[1]))
    notes: list[TrueNote] = []
    free_s = dict.fromkeys(strings, 0.3)
    for string, onset_s, lasts_s in [*_bass_line(low, rng), *_upper_notes(strings, low, rng)]:
        if onset_s >= free_s[string]:
            cut = cuts[string][rng.integers(len(cuts[string]))]
            notes.append(_place(frames, cut, onset_s, lasts_s, rate, rng))
            free_s[string] = notes[-1].offset_s + 0.02
    truth = TrueBass(in_order(notes))
    return KnownTake(f"exercise {number + 1}", frames.astype(np.float32), rate, truth, TOLERANCE_S)


def _bass_line(low: Sequence[int], rng: np.random.Generator) -> Iterator[tuple[int, float, float]]:
    """Yield string, onset and length in s of a line on one low string at a time."""
    now_s = 0.5
    while now_s < SECONDS - 1.2:
        lasts_s = rng.uniform(0.12, 0.8)
        yield int(rng.choice(low)), now_s, lasts_s
        now_s += lasts_s + (rng.uniform(0.03, 0.1) if rng.random() < 0.8 else rng.uniform(0.2, 0.6))


def _upper_notes(
    strings: Sequence[int], low: Sequence[int], rng: np.random.Generator
) -> Iterator[tuple[int, float, float]]:
    """Yield string, onset and length in s of notes on each of the other strings."""
    for string in strings:
        now_s = rng.uniform(0.4, 1.2)
        while string not in low and now_s < SECONDS - 1.2:
            lasts_s = rng.uniform(0.15, 1.0)
            yield string, now_s, lasts_s
            now_s += lasts_s + rng.uniform(0.1, 1.0)


def _place(
    frames: NDArray[np.float64], cut: Cut, onset_s: float, lasts_s: float, rate: int, rng: np.random.Generator
) -> TrueNote:
    """Add a note to ``frames``, stopped ``lasts_s`` after its onset or where the cut ends, and return its truth."""
    first = round((onset_s - BEFORE_S) * rate)
    length = min(round((BEFORE_S + lasts_s + STOP_S) * rate), len(cut.sound), len(frames) - first)
    stop = min(length, round(STOP_S * rate))
    sound = cut.sound[:length] * amplitude_of(rng.choice(SOFTER_DB))
    sound[length - stop :] *= np.linspace(1.0, 0.0, stop)[:, np.newaxis] ** 2
    frames[first : first + length] += sound
    offset_s = onset_s + length / rate - BEFORE_S - STOP_S + STOPPED_S
    note = TrueNote(cut.string, cut.midi, onset_s, offset_s, offset_s, offset_s)
    return replace(note, fades_s=min(offset_s, onset_s + cut.fades_s), faded_s=min(offset_s, onset_s + cut.faded_s))


def _noise(quiet: NDArray[np.float64], frames: int, rate: int, rng: np.random.Generator) -> NDArray[np.float64]:
    """Return noise like ``quiet``, (frames, strings): windows of it overlapped at random; empty if it is too short."""
    half = min(len(quiet) // 4, round(0.05 * rate))
    if half < SHORTEST_QUIET_S * rate / 4:
        return np.zeros((0, quiet.shape[1]))
    noise = np.zeros((frames + 2 * half, quiet.shape[1]))
    window = np.sin(np.pi * (np.arange(2 * half) + 0.5) / (2 * half))[
        :, np.newaxis
    ]  # powers of two overlapped add to 1
    for first in range(0, frames, half):
        begin = rng.integers(len(quiet) - 2 * half)
        noise[first : first + 2 * half] += window * quiet[begin : begin + 2 * half]
    return noise[:frames]
