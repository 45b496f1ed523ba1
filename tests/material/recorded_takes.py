"""Assembled takes of recorded notes, and how a result is scored against their truth.

The definitions are this module's:

*The true bass* at a time is the sounding note on the lowest string. How long a note sounds is a matter of
taste once it fades, so there are two truths: notes that last until they have faded by 26 dB (*early*) or by
42 dB (*late*). Where the two name different strings, either is right, and nothing is asked there.

*Path*: of the times, 5 ms apart, at which the late truth has a bass and both truths agree, the share at which
the bass line has a row of that string. Times within 30 ms of a change of the late truth are left out.

*F1 of the bass line* at a tolerance: onsets are matched one to one within the tolerance and 50 cents by
``mir_eval.transcription.match_notes`` (C. Raffel et al., "mir_eval: A Transparent Implementation of Common
MIR Metrics", ISMIR 2014). A true stretch that must be found lasts 50 ms or more and begins with an onset, or
where a lower note was stopped (not: faded). Others may be found or not. A found row of 20 ms or more that
matches nothing is wrong, unless it begins within 30 ms of a time at which the truths differ.

*F1 of the strings*: the same matching for all notes of a string at 50 ms, all of which must be found; mean
over strings.
"""

import csv
import json
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from itertools import pairwise
from pathlib import Path
from typing import NamedTuple

import numpy as np
import soundfile
from numpy.typing import NDArray

from tests.helpers.places import recorded
from thumbline.dsp.calibration.survey import complete_for_take, survey
from thumbline.dsp.processor.processor import Processor
from thumbline.dsp.processor.transcript import Transcript, transcribe
from thumbline.dsp.results.folder import read_result
from thumbline.dsp.rig.model import Rig
from thumbline.dsp.scoring.score import latency
from thumbline.dsp.scoring.true_bass import TrueBass
from thumbline.dsp.scoring.truth import load_truth

STEP_S, GUARD_S, SHORTEST_TRUE_S, SHORTEST_FOUND_S = 0.005, 0.03, 0.05, 0.02
PAIRS = {
    "funk_comp": "open_strings_1",
    "jazz_comp": "open_strings_1",
    "rock_solo": "open_strings_2",
    "bossa_comp": "open_strings_2",
    "archtop_comp": "open_strings_3",
    "archtop_solo": "open_strings_3",
    "archtop_thumb": "open_strings_3",
    "archtop_palm": "open_strings_3",
    "palm_thumb": "open_strings_4",
    "muted_thumb": "open_strings_5",
}


@dataclass(frozen=True)
class Span:
    """A string sounds at a pitch from ``begin`` to ``end`` (seconds); ``sure``: a program must find it."""

    string: int
    midi: float
    begin: float
    end: float
    sure: bool = True


def true_notes(take: str, end_key: str) -> list[Span]:
    truth = json.loads((recorded("takes", f"{take}.json")).read_text("utf-8"))
    return [Span(n["string"], n["midi"], n["onset"], n[end_key]) for n in truth["notes"]]


def stops(take: str) -> set[float]:
    """When notes end because they were stopped, not because they had faded."""
    truth = json.loads((recorded("takes", f"{take}.json")).read_text("utf-8"))
    return {n["offset"] for n in truth["notes"] if n["offset"] == n["fades"]}


def true_bass(notes: Sequence[Span], begins: set[float]) -> list[Span]:
    """Stretches during which one note is the bass; sure if they are long and begin at one of ``begins``."""
    edges = sorted({time for note in notes for time in (note.begin, note.end)})
    path: list[tuple[float, float, Span]] = []
    for begin, end in pairwise(edges):
        middle = (begin + end) / 2
        sounding = [note for note in notes if note.begin < middle < note.end]
        if sounding:
            lowest = max(sounding, key=lambda note: (note.string, note.begin))
            if path and path[-1][1] == begin and path[-1][2] is lowest:
                path[-1] = (path[-1][0], end, lowest)
            else:
                path.append((begin, end, lowest))
    return [
        Span(note.string, note.midi, begin, end, end - begin >= SHORTEST_TRUE_S and begin in begins)
        for begin, end, note in path
    ]


def found_rows(table: Path) -> list[Span]:
    with table.open(encoding="utf-8", newline="") as file:
        return [
            Span(int(row["string"]), float(row["midi"]), float(row["onset_s"]), float(row["offset_s"]))
            for row in csv.DictReader(file)
        ]


def string_at(spans: Sequence[Span], times: NDArray[np.float64]) -> NDArray[np.int_]:
    strings = np.zeros(len(times), int)
    for span in spans:
        strings[(times >= span.begin) & (times < span.end)] = span.string
    return strings


class Counts(NamedTuple):
    """Notes that were found, found though nobody played them, and lost."""

    hits: int
    false: int
    lost: int

    @property
    def f1(self) -> float:
        return 2 * self.hits / (2 * self.hits + self.false + self.lost)


def counts(true: Sequence[Span], found: Sequence[Span], tolerance_s: float, excused: NDArray[np.bool_]) -> Counts:
    """Match onsets and pitches; ``excused`` (one per found row): costs nothing if it matches nothing."""
    from mir_eval.transcription import match_notes

    def arrays(spans: Sequence[Span]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        hz = [440.0 * 2.0 ** ((span.midi - 69.0) / 12.0) for span in spans]
        return np.array([(span.begin, span.end) for span in spans]), np.array(hz)

    def match(some: Sequence[Span], rows: Sequence[int]) -> set[int]:
        if not some or not rows:
            return set()
        pairs = match_notes(
            *arrays(some),
            *arrays([found[row] for row in rows]),
            onset_tolerance=tolerance_s,
            pitch_tolerance=50.0,
            offset_ratio=None,  # pyright: ignore[reportArgumentType]  its docstring: None, offsets are not compared
        )
        return {rows[found_index] for _, found_index in pairs}

    sure = [span for span in true if span.sure]
    hits = match(sure, range(len(found)))
    left = [row for row in range(len(found)) if row not in hits]
    fair = match([span for span in true if not span.sure], left)
    wrong = [row for row in left if row not in fair and not excused[row]]
    return Counts(len(hits), len(wrong), len(sure) - len(hits))


def latencies_ms(folder: Path, take: str) -> NDArray[np.float64]:
    """From each annotated pluck that takes the bass to the decision, in ms."""
    result = read_result(folder)
    truth = TrueBass(load_truth(recorded("takes", f"{take}.json"), result.rig))
    return np.array(latency(truth, result.mutes, result.rig.string_count, plucked=True).times_ms)


class Moments:
    """The times at which a take is asked for its bass string, and the string that is right."""

    def __init__(self, take: str) -> None:
        early, late = true_notes(take, "fades"), true_notes(take, "faded")
        begins = {note.begin for note in late} | stops(take)
        times = np.arange(0.0, max(note.end for note in late) + 0.3, STEP_S)
        self.bass = true_bass(late, begins)
        right, other = string_at(self.bass, times), string_at(true_bass(early, begins), times)
        asked = (right > 0) & (right == other)
        for change in times[1:][np.diff(right) != 0]:
            asked &= np.abs(times - change) > GUARD_S
        self.times, self.right = times[asked], right[asked]
        self._open_times = times[right != other]

    def path(self, rows: Sequence[Span]) -> float:
        """Share of the times at which the rows of a bass line have the right string."""
        return float((string_at(rows, self.times) == self.right).mean())

    def f1(self, rows: Sequence[Span], tolerance_s: float) -> float:
        """F1 of the rows of a bass line."""
        rows = [row for row in rows if row.end - row.begin >= SHORTEST_FOUND_S]
        near = [bool((np.abs(self._open_times - row.begin) <= GUARD_S + STEP_S).any()) for row in rows]
        return counts(self.bass, rows, tolerance_s, np.array(near, np.bool_)).f1


def score(take: str, folder: Path) -> dict[str, float]:
    """The figures of a rendered folder."""
    moments, rows, notes = Moments(take), found_rows(folder / "bassline.csv"), found_rows(folder / "notes.csv")
    truth = true_notes(take, "offset")
    by_string = []
    for string in sorted({note.string for note in truth}):
        true = [note for note in truth if note.string == string]
        found = [note for note in notes if note.string == string]
        by_string.append(counts(true, found, 0.05, np.zeros(len(found), np.bool_)))
    late_ms = latencies_ms(folder, take)
    return {
        "path": moments.path(rows),
        "f1_50": moments.f1(rows, 0.05),
        "f1_10": moments.f1(rows, 0.01),
        "strings": float(np.mean([each.f1 for each in by_string])),
        "lost": sum(each.lost for each in by_string),
        "false": sum(each.false for each in by_string),
        "notes": len(truth),
        "median_ms": float(np.median(late_ms)),
        "p95_ms": float(np.percentile(late_ms, 95)),
    }


@cache
def decided(take: str) -> tuple[Transcript, float]:
    """What is decided about a take without a rig, and its length in seconds: as it is rendered, but without sound."""
    sound, rate = soundfile.read(recorded("takes", f"{take}.flac"), always_2d=True)
    frames = np.ascontiguousarray(sound, np.float64)
    found = survey(lambda: iter([frames]), Rig(), rate)
    processor = Processor(complete_for_take(Rig(), found), rate, found.hum)
    return transcribe(processor, [frames]), len(frames) / rate


def damped() -> list[Path]:
    return sorted(recorded("damped").glob("*.flac"))
