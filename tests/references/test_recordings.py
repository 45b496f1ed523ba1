"""Recorded guitar notes on the timing of real performances: the whole program against truth that is not ours.

The recordings lie in the folder that the environment variable ``THUMBLINE_RECORDINGS`` names (see its own README for
sources and licences); without it these checks are skipped.

How a result is scored, all definitions being this module's:

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
import os
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cache
from itertools import pairwise
from pathlib import Path
from typing import NamedTuple

import numpy as np
import pytest
import soundfile
from numpy.typing import NDArray

from tests.references.figures import agrees
from thumbline.dsp.calibration.calibrate import calibrate
from thumbline.dsp.calibration.survey import complete, survey
from thumbline.dsp.processor.processor import Processor
from thumbline.dsp.processor.transcript import Transcript
from thumbline.dsp.results.folder import read_result
from thumbline.dsp.results.render import render_take
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

_place = os.environ.get("THUMBLINE_RECORDINGS")
RECORDINGS = Path(_place or ".")
pytestmark = pytest.mark.skipif(_place is None, reason="THUMBLINE_RECORDINGS does not name the folder of recordings")


@dataclass(frozen=True)
class Span:
    """A string sounds at a pitch from ``begin`` to ``end`` (seconds); ``sure``: a program must find it."""

    string: int
    midi: float
    begin: float
    end: float
    sure: bool = True


def true_notes(take: str, end_key: str) -> list[Span]:
    truth = json.loads((RECORDINGS / "takes" / f"{take}.json").read_text("utf-8"))
    return [Span(n["string"], n["midi"], n["onset"], n[end_key]) for n in truth["notes"]]


def stops(take: str) -> set[float]:
    """When notes end because they were stopped, not because they had faded."""
    truth = json.loads((RECORDINGS / "takes" / f"{take}.json").read_text("utf-8"))
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
    truth = TrueBass(load_truth(RECORDINGS / "takes" / f"{take}.json", result.rig))
    return np.array(latency(truth, result.mutes, result.rig.string_count, plucked=True).times_ms)


def score(take: str, folder: Path) -> dict[str, float]:
    early, late = true_notes(take, "fades"), true_notes(take, "faded")
    begins = {note.begin for note in late} | stops(take)
    times = np.arange(0.0, max(note.end for note in late) + 0.3, STEP_S)
    bass = true_bass(late, begins)
    right, other = string_at(bass, times), string_at(true_bass(early, begins), times)
    rows = found_rows(folder / "bassline.csv")
    got = string_at(rows, times)
    asked = (right > 0) & (right == other)
    for change in times[1:][np.diff(right) != 0]:
        asked &= np.abs(times - change) > GUARD_S
    open_times = times[right != other]
    long_rows = [row for row in rows if row.end - row.begin >= SHORTEST_FOUND_S]
    excused = np.array(
        [bool((np.abs(open_times - row.begin) <= GUARD_S + STEP_S).any()) for row in long_rows], np.bool_
    )
    notes = found_rows(folder / "notes.csv")
    by_string = []
    for string in sorted({note.string for note in late}):
        true = [note for note in true_notes(take, "offset") if note.string == string]
        found = [note for note in notes if note.string == string]
        by_string.append(counts(true, found, 0.05, np.zeros(len(found), np.bool_)))
    late_ms = latencies_ms(folder, take)
    return {
        "path": float((got[asked] == right[asked]).mean()),
        "f1_50": counts(bass, long_rows, 0.05, excused).f1,
        "f1_10": counts(bass, long_rows, 0.01, excused).f1,
        "strings": float(np.mean([each.f1 for each in by_string])),
        "lost": sum(each.lost for each in by_string),
        "false": sum(each.false for each in by_string),
        "notes": len(late),
        "median_ms": float(np.median(late_ms)),
        "p95_ms": float(np.percentile(late_ms, 95)),
    }


#: Digits of the figures in the documents.
DIGITS = {
    "path": 4,
    "f1_50": 3,
    "f1_10": 3,
    "strings": 3,
    "lost": 0,
    "false": 0,
    "notes": 0,
    "median_ms": 1,
    "p95_ms": 1,
}


@pytest.fixture(scope="module")
def scored(tmp_path_factory: pytest.TempPathFactory) -> Callable[[str, bool], dict[str, float]]:
    """Score a take, rendered with its guitar's calibration or without any."""
    rigs = cache(lambda strings: calibrate(RECORDINGS / "takes" / f"{strings}.flac", Rig()).rig)

    def run(take: str, calibrated: bool) -> dict[str, float]:
        out = tmp_path_factory.mktemp(take)
        rig = rigs(PAIRS[take]) if calibrated else Rig()
        return score(take, render_take(RECORDINGS / "takes" / f"{take}.flac", out, rig).folder)

    return run


@pytest.mark.parametrize("take", PAIRS)
def test_a_calibrated_guitar_has_its_bass_on_the_right_string(
    take: str, scored: Callable[[str, bool], dict[str, float]]
) -> None:
    result = scored(take, True)
    least = {"path": 0.995, "f1_50": 0.985, "f1_10": 0.95, "strings": 0.985}
    assert {name: result[name] for name in least if result[name] < least[name]} == {}, result
    for name, digits in DIGITS.items():
        agrees(f"takes.{take}.{name}", result[name], digits)


@pytest.mark.parametrize("take", PAIRS)
def test_an_unknown_guitar_has_its_bass_on_the_right_string_nearly_always(
    take: str, scored: Callable[[str, bool], dict[str, float]]
) -> None:
    path = scored(take, False)["path"]
    assert path >= 0.97
    agrees(f"takes.{take}.path_without_rig", path, 4)


@pytest.mark.parametrize("strings", sorted(set(PAIRS.values())))
def test_the_bleed_of_the_recordings_is_found(strings: str) -> None:
    found = np.array(calibrate(RECORDINGS / "takes" / f"{strings}.flac", Rig()).rig.bleed.matrix)
    true = np.array(json.loads((RECORDINGS / "takes" / f"{strings}.json").read_text("utf-8"))["bleed"])
    assert np.abs(found - true).max() < 0.01


def damped() -> list[Path]:
    return sorted((RECORDINGS / "damped").glob("*.flac"))


@pytest.mark.parametrize("where", ["each string", "all strings"])
def test_damped_strings_and_knocks_on_the_body_are_no_notes(where: str) -> None:
    """Heard by one string alone, one of the nine may be taken for a note: behind its thump it rings on for 0.1 s."""
    assert len(damped()) == 9, "or the recordings are not those that were meant"
    false_notes: dict[str, list[int | slice]] = {}
    for file in damped():
        sound, rate = soundfile.read(file, always_2d=True)
        mono = sound.mean(axis=1)
        for string in range(6) if where == "each string" else [slice(None)]:
            take = np.zeros((len(mono), 6))
            take[:, string] = mono if isinstance(string, int) else mono[:, np.newaxis]
            rig = complete(Rig(), survey(lambda take=take: iter([take]), Rig(), rate))
            processor, transcript = Processor(rig, rate), Transcript(rig, rate)
            for events in (processor.process(take)[1], processor.finish()):
                transcript.feed(events)
            if transcript.notes:
                false_notes.setdefault(file.stem, []).append(string)
    assert len(false_notes) <= (1 if where == "each string" else 0), false_notes


# The scorer itself, on cases whose scores are plain.


def spans(*rows: tuple[int, float, float, float]) -> list[Span]:
    return [Span(*row) for row in rows]


def test_of_overlapping_notes_the_lowest_string_is_the_true_bass() -> None:
    bass = true_bass(spans((1, 64.0, 0.0, 2.0), (6, 40.0, 0.5, 1.0)), {0.0, 0.5, 1.0})
    assert [(span.string, span.begin, span.end) for span in bass] == [(1, 0.0, 0.5), (6, 0.5, 1.0), (1, 1.0, 2.0)]


def test_a_perfect_answer_scores_1_and_each_error_costs_its_share() -> None:
    true = spans((6, 40.0, 0.0, 1.0), (5, 45.0, 1.0, 2.0))
    none = np.zeros(2, np.bool_)
    assert counts(true, true, 0.01, none).f1 == 1.0
    assert counts(true, spans((6, 40.0, 0.02, 1.0), (5, 45.0, 1.0, 2.0)), 0.01, none).f1 == 0.5
    assert counts(true, spans((6, 41.0, 0.0, 1.0), (5, 45.0, 1.0, 2.0)), 0.01, none).f1 == 0.5
    assert counts(true, true[:1], 0.01, none).f1 == pytest.approx(2 / 3)
