"""Recorded guitar notes on the timing of real performances: the whole program against truth that is not ours.

The recordings lie in the folder that the environment variable ``THUMBLINE_RECORDINGS`` names (see its own README for
sources and licences); without it these checks are skipped. How a result is scored says `tests.material.recorded_takes`;
onsets are matched by ``mir_eval.transcription.match_notes`` (C. Raffel et al., ISMIR 2014).
"""

import json
from functools import cache
from pathlib import Path

import numpy as np
import pytest
import soundfile

from tests.helpers.places import needs_recordings, recorded
from tests.material.recorded_takes import PAIRS, Moments, Span, counts, damped, decided, score, true_bass
from tests.references.figures import agrees
from thumbline.dsp.calibration.calibrate import calibrate
from thumbline.dsp.calibration.survey import complete, survey
from thumbline.dsp.processor.processor import Processor
from thumbline.dsp.processor.transcript import Transcript
from thumbline.dsp.results.render import render_take
from thumbline.dsp.rig.model import Rig

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


@cache
def rig_of(open_strings: str) -> Rig:
    """The rig of a guitar, from its take of open strings."""
    return calibrate(recorded("takes", f"{open_strings}.flac"), Rig()).rig


@needs_recordings
@pytest.mark.parametrize("take", PAIRS)
def test_a_calibrated_guitar_has_its_bass_on_the_right_string(take: str, tmp_path: Path) -> None:
    rendered = render_take(recorded("takes", f"{take}.flac"), tmp_path, rig_of(PAIRS[take]))
    result = score(take, rendered.folder)
    least = {"path": 0.995, "f1_50": 0.985, "f1_10": 0.95, "strings": 0.985}
    assert {name: result[name] for name in least if result[name] < least[name]} == {}, result
    for name, digits in DIGITS.items():
        agrees(f"takes.{take}.{name}", result[name], digits)


@needs_recordings
@pytest.mark.parametrize("take", PAIRS)
def test_an_unknown_guitar_has_its_bass_on_the_right_string_nearly_always(take: str) -> None:
    transcript, seconds = decided(take)
    rows = [Span(row.string, row.midi, row.onset_s, row.offset_s) for row in transcript.bassline(seconds)]
    path = Moments(take).path(rows)
    assert path >= 0.97
    agrees(f"takes.{take}.path_without_rig", path, 4)


@needs_recordings
@pytest.mark.parametrize("strings", sorted(set(PAIRS.values())))
def test_the_bleed_of_the_recordings_is_found(strings: str) -> None:
    found = np.array(rig_of(strings).bleed.matrix)
    true = np.array(json.loads(recorded("takes", f"{strings}.json").read_text("utf-8"))["bleed"])
    assert np.abs(found - true).max() < 0.01


@needs_recordings
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
