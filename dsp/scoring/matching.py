"""Which found notes are which true notes, and how good that is.

Onsets are matched one to one, as many as can be, within a tolerance and ``PITCH_CENTS``, by
``mir_eval.transcription.match_notes`` (C. Raffel et al., "mir_eval: A Transparent Implementation of Common MIR
Metrics", ISMIR 2014).
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

from thumbline.dsp.note_names import midi_to_hz
from thumbline.dsp.scoring.true_bass import Spanned

PITCH_CENTS = 50.0
#: Notes in each part in which longer takes are matched: the time it takes grows with their square.
PART = 1000

Played = TypeVar("Played", bound=Spanned)
Found = TypeVar("Found", bound=Spanned)


@dataclass(frozen=True)
class Rates:
    """How many notes were to be found, were found rightly, and were found though nobody played them."""

    true: int
    matched: int
    false: int

    @property
    def precision(self) -> float:
        """Share of the found notes that are right; 0 if none were found."""
        return self.matched / max(1, self.matched + self.false)

    @property
    def recall(self) -> float:
        """Share of the true notes that were found; 0 if there are none."""
        return self.matched / max(1, self.true)

    @property
    def f(self) -> float:
        """Harmonic mean of precision and recall."""
        both = 2 * self.matched + self.false + self.true - self.matched
        return 2 * self.matched / both if both else 0.0


def match(true: Sequence[Spanned], found: Sequence[Spanned], tolerance_s: float) -> list[tuple[int, int]]:
    """Return pairs of indices into ``true`` and ``found``."""
    pairs: list[tuple[int, int]] = []
    for some_true, some_found in _parts(true, found, tolerance_s):
        if len(some_true) and len(some_found):
            pairs += _match_all(true, found, some_true, some_found, tolerance_s)
    return pairs


def unmatched(
    true: Sequence[Played], found: Sequence[Found], tolerance_s: float
) -> tuple[tuple[Played, ...], tuple[Found, ...]]:
    """Return the true notes that were missed and the found ones that nobody played, string by string, in order."""
    missed: list[Played] = []
    false: list[Found] = []
    for string in sorted({each.string for each in (*true, *found)}):
        own_true = [each for each in true if each.string == string]
        own_found = [each for each in found if each.string == string]
        pairs = match(own_true, own_found, tolerance_s)
        matched_true, matched_found = {index for index, _ in pairs}, {index for _, index in pairs}
        missed += [each for index, each in enumerate(own_true) if index not in matched_true]
        false += [each for index, each in enumerate(own_found) if index not in matched_found]
    return (
        tuple(sorted(missed, key=lambda each: (each.onset_s, -each.string))),
        tuple(sorted(false, key=lambda each: (each.onset_s, -each.string))),
    )


def _match_all(
    true: Sequence[Spanned],
    found: Sequence[Spanned],
    some_true: NDArray[np.int_],
    some_found: NDArray[np.int_],
    tolerance_s: float,
) -> Iterator[tuple[int, int]]:
    from mir_eval.transcription import match_notes

    offset_ratio: Any = None  # offsets are not compared
    for true_index, found_index in match_notes(
        *_arrays([true[index] for index in some_true]),
        *_arrays([found[index] for index in some_found]),
        onset_tolerance=tolerance_s,
        pitch_tolerance=PITCH_CENTS,
        offset_ratio=offset_ratio,
    ):
        yield int(some_true[true_index]), int(some_found[found_index])


def _arrays(notes: Sequence[Spanned]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return intervals in s, (n, 2), and pitches in Hz, (n,)."""
    intervals = np.array([(note.onset_s, note.offset_s) for note in notes])
    return intervals, np.asarray(midi_to_hz(np.array([note.midi for note in notes])))


def _parts(
    true: Sequence[Spanned], found: Sequence[Spanned], tolerance_s: float
) -> Iterator[tuple[NDArray[np.int_], NDArray[np.int_]]]:
    """Yield indices of both sides in parts between which nothing can match."""
    onsets = np.array([note.onset_s for note in (*true, *found)])
    order = np.argsort(onsets, kind="stable")
    gaps = np.append(np.diff(onsets[order]) > 2 * tolerance_s, True)[: len(order)]
    first = 0
    for last in 1 + np.flatnonzero(gaps):
        if last - first >= PART or last == len(order):
            part = np.sort(order[first:last])
            yield part[part < len(true)], part[part >= len(true)] - len(true)
            first = last
