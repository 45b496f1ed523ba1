"""What the notes of a take say of its beat: the moments at which something is played.

A *moment* is a note or a strum: notes that begin within ``STRUM_S`` of each other.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from thumbline.dsp.processor.notes import Note

#: Notes that begin this soon after each other are one strum, s; and how long a strum lasts at most.
STRUM_S, LONGEST_STRUM_S = 0.035, 0.09
#: A note of the bass line belongs to a strum that begins up to this long before or after it, s.
BASS_BEFORE_S, BASS_AFTER_S = 0.02, 0.08
#: A change of the bass by less than this is none, semitones.
SAME_PITCH = 0.6
#: Strings of a strum beyond so many say no more; so do octaves of length, and steps of level (MIDI velocity).
MOST_STRINGS, MOST_OCTAVES, LEVEL_STEP, MOST_LEVELS = 4, 1.5, 10.0, 1.5


@dataclass(frozen=True)
class Moments:
    """When something is played, in order of time."""

    time_s: NDArray[np.float64]  #: onset of the note, or of the first note of the strum
    bass: NDArray[np.bool_]  #: a note of the bass line begins
    change: NDArray[np.bool_]  #: ... at another pitch than the one before it
    strings: NDArray[np.float64]  #: how many strings are played beyond the first, 0 to 3
    long: NDArray[np.float64]  #: by how many octaves the bass note that begins is longer than usual; 0 where none does
    pause: NDArray[np.float64]  #: by how many octaves it is longer than usual until the next moment
    level: NDArray[np.float64]  #: how much louder than usual, in steps of 5 dB
    down: NDArray[np.float64]  #: 1 for a strum from the lowest string up, -1 for one from the highest, 0 for others

    def __len__(self) -> int:
        return len(self.time_s)


def moments_of(notes: Sequence[Note], bassline: Sequence[Note]) -> Moments:
    """Put the onsets of ``notes`` and ``bassline`` (both in order of time) together to moments."""
    rows = sorted(notes or bassline, key=lambda note: note.onset_s)
    onset_s = np.array([note.onset_s for note in rows], np.float64)
    first = _firsts(onset_s)
    start_s = onset_s[first]
    bass, change = np.zeros(len(first), bool), np.zeros(len(first), bool)
    lasts_s = np.full(len(first), math.nan)
    before = math.nan
    for note in bassline:
        at = int(np.argmin(np.abs(start_s - note.onset_s)))
        if start_s[at] - BASS_BEFORE_S <= note.onset_s <= start_s[at] + BASS_AFTER_S:
            bass[at] = True
            change[at] = change[at] or not abs(note.midi - before) <= SAME_PITCH
            lasts_s[at] = note.offset_s - note.onset_s
        before = note.midi
    strums = np.split(np.arange(len(rows)), first[1:]) if len(first) else []
    loud = np.array([max(rows[i].velocity for i in strum) for strum in strums], np.float64)
    return Moments(
        time_s=start_s,
        bass=bass,
        change=change,
        strings=np.array([min(len({rows[i].string for i in strum}), MOST_STRINGS) - 1.0 for strum in strums]),
        long=_octaves(lasts_s),
        pause=_octaves(np.append(np.diff(start_s), math.nan)[: len(first)]),
        level=np.clip((loud - np.median(loud)) / LEVEL_STEP, -MOST_LEVELS, MOST_LEVELS) if len(loud) else loud,
        down=np.array([_direction([rows[i] for i in strum]) for strum in strums]),
    )


def _firsts(onset_s: NDArray[np.float64]) -> NDArray[np.int64]:
    """Index of the first note of each moment."""
    firsts: list[int] = []
    for i, time_s in enumerate(onset_s.tolist()):
        if not firsts or time_s - onset_s[i - 1] > STRUM_S or time_s - onset_s[firsts[-1]] > LONGEST_STRUM_S:
            firsts.append(i)
    return np.array(firsts, np.int64)


def _octaves(lasts_s: NDArray[np.float64]) -> NDArray[np.float64]:
    """By how many octaves lengths are longer than their median; 0 where there is no length."""
    known = lasts_s[np.isfinite(lasts_s)]
    if not len(known):
        return np.zeros(len(lasts_s))
    octaves = np.log2(np.maximum(lasts_s, 1e-3) / max(float(np.median(known)), 1e-3))
    return np.clip(np.nan_to_num(octaves), -MOST_OCTAVES, MOST_OCTAVES)


def _direction(strum: Sequence[Note]) -> float:
    """Which way a hand went over three strings or more."""
    if len(strum) < 3:
        return 0.0
    mean_s = sum(note.onset_s for note in strum) / len(strum)
    middle = sum(note.string for note in strum) / len(strum)
    later = [note.onset_s - mean_s for note in strum]
    higher = [middle - note.string for note in strum]
    spread = math.sqrt(sum(x * x for x in later) * sum(x * x for x in higher))
    together = sum(x * y for x, y in zip(later, higher, strict=True))
    return 0.0 if spread <= 0.0 else min(max(2.0 * together / spread, -1.0), 1.0)
