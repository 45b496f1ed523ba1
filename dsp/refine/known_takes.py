"""Takes whose notes are known, held in memory, and how a rig fares on them."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from thumbline.dsp.calibration.survey import MEASURED, Survey, complete, survey
from thumbline.dsp.errors import InputError
from thumbline.dsp.files.takes import open_take
from thumbline.dsp.processor.processor import Processor
from thumbline.dsp.processor.transcript import transcribe
from thumbline.dsp.rig.model import Rig
from thumbline.dsp.scoring.matching import unmatched
from thumbline.dsp.scoring.score import SHORTEST_ROW_S, TOLERANCES_S, bass_notes
from thumbline.dsp.scoring.true_bass import TrueBass
from thumbline.dsp.scoring.truth import load_truth
from thumbline.dsp.scoring.truth_beside import truth_beside

#: Takes are held in memory, six channels at 48 kHz in 1.15 MB per second.
MOST_S = 1800.0
BLOCK = 1 << 15
#: Length of the pieces that a take's outcome is counted in, in seconds.
PIECE_S = 2.0
#: Within this a bass note must be found, unless a take says otherwise: tight enough that a late decision counts.
TOLERANCE_S = 0.02
#: And within this a note of any string, as in a score.
NOTES_TOLERANCE_S = TOLERANCES_S[0]


@dataclass(frozen=True)
class KnownTake:
    """A take, and the truth about it."""

    name: str
    frames: NDArray[np.float32]  #: (n, channels)
    rate: int
    truth: TrueBass
    tolerance_s: float = TOLERANCE_S  #: within this of its onset a bass note must be found

    def blocks(self) -> Iterator[NDArray[np.float64]]:
        """Yield the take in blocks."""
        for first in range(0, len(self.frames), BLOCK):
            yield self.frames[first : first + BLOCK].astype(np.float64)


@dataclass(frozen=True)
class Outcome:
    """How a rig fared, counted in pieces of ``PIECE_S``, so that pieces can be drawn anew.

    ``counts`` is (pieces, 8): moments asked for and right; true bass notes, those found, and those found though nobody
    played them; and the same of the notes of all strings.
    """

    counts: NDArray[np.int_]
    #: (pieces, strings): on how many moments, and notes, of each string something is wrong; None if that is not known
    faults: NDArray[np.int_] | None = None

    @property
    def path_right(self) -> float:
        """Share of the moments at which the bass line is on the right string, or on none if nothing sounds."""
        return float(path_right(self.counts.sum(axis=0)))

    @property
    def f(self) -> float:
        """F of the bass notes, within the takes' tolerance."""
        return float(f_measure(self.counts.sum(axis=0)))

    @property
    def notes_f(self) -> float:
        """F of the notes of all strings, within ``NOTES_TOLERANCE_S``."""
        return float(notes_f_measure(self.counts.sum(axis=0)))

    @property
    def accuracy(self) -> float:
        """Mean of the three: what a search makes as high as it can."""
        return float(accuracy(self.counts.sum(axis=0)))


def accuracy(counts: NDArray[np.int_]) -> NDArray[np.float64]:
    """Return the mean of the share of right moments and of both F for counts (..., 8)."""
    return (path_right(counts) + f_measure(counts) + notes_f_measure(counts)) / 3


def path_right(counts: NDArray[np.int_]) -> NDArray[np.float64]:
    """Return the share of right moments for counts (..., 8), 1 where none are asked for."""
    asked, right = counts[..., 0], counts[..., 1]
    return np.where(asked > 0, right / np.maximum(asked, 1), 1.0)


def f_measure(counts: NDArray[np.int_]) -> NDArray[np.float64]:
    """Return F of the bass notes for counts (..., 8), 1 where there are none and none were found."""
    return _f(counts[..., 2], counts[..., 3], counts[..., 4])


def notes_f_measure(counts: NDArray[np.int_]) -> NDArray[np.float64]:
    """Return F of the notes of all strings for counts (..., 8), 1 where there are none and none were found."""
    return _f(counts[..., 5], counts[..., 6], counts[..., 7])


def _f(true: NDArray[np.int_], matched: NDArray[np.int_], false: NDArray[np.int_]) -> NDArray[np.float64]:
    return np.where(true + false > 0, 2 * matched / np.maximum(matched + true + false, 1), 1.0)


def together(outcomes: Sequence[Outcome]) -> Outcome:
    """Return several takes' outcome as one."""
    faults = [each.faults for each in outcomes if each.faults is not None]
    return Outcome(
        np.concatenate([each.counts for each in outcomes]),
        np.concatenate(faults) if len(faults) == len(outcomes) else None,
    )


def load_known_takes(paths: Sequence[Path], rig: Rig) -> list[KnownTake]:
    """Read takes, and the truth that lies beside each under the same name.

    Raises InputError for a take or a truth that cannot be used, a take without truth, and more than ``MOST_S`` in all.
    """
    return [known_take(path, truth_beside(path), rig) for path in _not_too_long(paths, rig)]


def _not_too_long(paths: Sequence[Path], rig: Rig) -> Sequence[Path]:
    seconds = 0.0
    for path in paths:
        with open_take(path, rig.string_count, rig.input.channels, rig.instrument.strings) as take:
            seconds += take.frames / take.sample_rate
    if seconds > MOST_S:
        raise InputError(f"the takes last {seconds / 60:.0f} min together; accepted: up to {MOST_S / 60:.0f} min")
    return paths


def known_take(path: Path, truth: Path, rig: Rig) -> KnownTake:
    """Read one take and its truth."""
    with open_take(path, rig.string_count, rig.input.channels, rig.instrument.strings) as take:
        parts = [block.astype(np.float32) for block in take.blocks(BLOCK)]
        frames = np.concatenate(parts) if parts else np.zeros((0, take.channels), np.float32)
        return KnownTake(take.name, frames, take.sample_rate, TrueBass(load_truth(truth, rig)))


def completed(rig: Rig, takes: Sequence[KnownTake]) -> Rig:
    """Return the rig with what it leaves open measured from all takes as if they were one.

    Raises InputError unless they have the same sample rate.
    """
    return complete(rig, _surveyed(rig, takes))


def measured_anew(rig: Rig, takes: Sequence[KnownTake]) -> Rig:
    """Return the rig with levels, thresholds and bleed measured from all takes as if they were one.

    Of strings that are never played there the bleed stays what it is, if the rig states it.
    """
    blank = rig.changed(dict.fromkeys(MEASURED, "auto"))
    found = _surveyed(blank, takes)
    bleed = found.bleed.copy()
    if not isinstance(rig.bleed.matrix, str):
        silent = ~np.isin(np.arange(rig.string_count) + 1, played_strings(takes))
        bleed[:, silent] = np.asarray(rig.bleed.matrix)[:, silent]
    return complete(blank, replace(found, bleed=bleed))


def played_strings(takes: Sequence[KnownTake]) -> list[int]:
    """Return the strings that are played in any of the takes."""
    return sorted({note.string for take in takes for note in take.truth.notes})


def _surveyed(rig: Rig, takes: Sequence[KnownTake]) -> Survey:
    rates = sorted({take.rate for take in takes})
    if len(rates) > 1:
        raise InputError(f"the takes have sample rates of {rates[0]} and {rates[1]} Hz; accepted: one for all of them")
    return survey(lambda: (block for take in takes for block in take.blocks()), rig, rates[0])


def outcome(rig: Rig, take: KnownTake) -> Outcome:
    """Return how ``rig``, in which nothing is left open, fares on a take."""
    transcript = transcribe(Processor(rig, take.rate), take.blocks())
    rows = transcript.bassline(len(take.frames) / take.rate)
    truth = take.truth
    found = truth.found(rows)
    notes = bass_notes(truth, [row for row in rows if row.offset_s - row.onset_s >= SHORTEST_ROW_S], take.tolerance_s)
    missed = set(map(id, notes.missed))
    lost, ghosts = unmatched(truth.notes, transcript.notes, NOTES_TOLERANCE_S)
    lost_ids = set(map(id, lost))
    sure = [each for each in truth.stretches if each.sure]
    times = (
        truth.times_s[truth.asked],
        truth.times_s[truth.asked & (found == truth.string)],
        [each.onset_s for each in sure],
        [each.onset_s for each in sure if id(each) not in missed],
        [min(max(each.onset_s, 0.0), truth.end_s) for each in notes.false],
        [each.onset_s for each in truth.notes],
        [each.onset_s for each in truth.notes if id(each) not in lost_ids],
        [min(max(each.onset_s, 0.0), truth.end_s) for each in ghosts],
    )
    pieces = 1 + int(truth.end_s / PIECE_S)
    counts = [np.bincount((np.asarray(each) / PIECE_S).astype(np.int_), minlength=pieces) for each in times]
    wrong = truth.asked & (found != truth.string)
    faulty = [
        np.concatenate(
            [
                truth.times_s[wrong & ((found == string) | (truth.string == string))],
                [each.onset_s for each in (*lost, *notes.missed) if each.string == string],
                [min(max(each.onset_s, 0.0), truth.end_s) for each in (*ghosts, *notes.false) if each.string == string],
            ]
        )
        for string in range(1, rig.string_count + 1)
    ]
    faults = [np.bincount((each / PIECE_S).astype(np.int_), minlength=pieces) for each in faulty]
    return Outcome(np.column_stack(counts), np.column_stack(faults))
