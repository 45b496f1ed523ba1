"""Scores and truth files against other people's programs: mir_eval called directly, the jams library, a scorer.

mir_eval: C. Raffel et al., "mir_eval: A Transparent Implementation of Common MIR Metrics", ISMIR 2014.
jams: E. J. Humphrey et al., "JAMS: A JSON Annotated Music Specification for Reproducible MIR Research", ISMIR 2014.
The scorer is the one that lies beside the folder of recordings (see their README), written independently of ours.
"""

import csv
import json
import subprocess
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import mir_eval
import numpy as np
import pytest

from tests.helpers.places import DATA, RECORDINGS, recorded
from thumbline.dsp.results.folder import FoundNote
from thumbline.dsp.rig.model import Rig
from thumbline.dsp.scoring.matching import Rates
from thumbline.dsp.scoring.score import TOLERANCES_S, score
from thumbline.dsp.scoring.true_bass import Spanned, TrueBass
from thumbline.dsp.scoring.truth import TrueNote, load_truth

DEMO = DATA / "demo.json"
SCORER = recorded().parent / "score_take.py"
with_recordings = pytest.mark.skipif(
    RECORDINGS is None or not SCORER.is_file(),
    reason="THUMBLINE_RECORDINGS does not name a folder with a scorer beside it",
)


def spoilt(
    notes: Sequence[Spanned], seed: int, shares: tuple[float, float, float] = (0.1, 0.1, 0.1)
) -> list[FoundNote]:
    """Notes of which shares are left out, put on another string, and mistuned; all are a little early or late."""
    rng = np.random.default_rng(seed)
    rows: list[FoundNote] = []
    for note in notes:
        gone, moved, mistuned = rng.random(3) < 0.1
        if not gone:
            shift = rng.normal(0.0, 0.012)
            string = int(rng.integers(1, 7)) if moved else note.string
            onset_s = max(0.0, note.onset_s + shift)
            rows.append(FoundNote(onset_s, max(note.offset_s, onset_s + 0.001), string, note.midi + mistuned))
        if rng.random() < 0.1:
            rows.append(FoundNote(note.onset_s + 0.1, note.offset_s + 0.1, int(rng.integers(1, 7)), 50.0))
    return sorted(rows, key=lambda row: row.onset_s)


def arrays(notes: Sequence[Spanned]) -> tuple[np.ndarray, np.ndarray]:
    hz = mir_eval.util.midi_to_hz(np.array([note.midi for note in notes]))
    return np.array([(note.onset_s, note.offset_s) for note in notes]), hz


def rated_by_mir_eval(true: Sequence[Spanned], found: Sequence[Spanned], tolerance_s: float) -> tuple[float, ...]:
    """Precision, recall and F."""
    no_offsets: Any = None
    return mir_eval.transcription.precision_recall_f1_overlap(
        *arrays(true), *arrays(found), onset_tolerance=tolerance_s, offset_ratio=no_offsets
    )[:3]


@pytest.mark.parametrize("seed", range(4))
def test_notes_of_a_string_are_rated_as_mir_eval_rates_them(seed: int) -> None:
    true = load_truth(DEMO, Rig())
    found = spoilt(true, seed)
    result = score(TrueBass(true), [], found, strings=6)
    for each in result.strings:
        ours = [note for note in true if note.string == each.string]
        theirs = [note for note in found if note.string == each.string]
        for tolerance_s in TOLERANCES_S:
            expected = rated_by_mir_eval(ours, theirs, tolerance_s)
            rates = each.rates[tolerance_s]
            assert (rates.precision, rates.recall, rates.f) == pytest.approx(expected, abs=1e-12)
            assert 0.0 < rates.f < 1.0 or seed


@pytest.mark.parametrize("seed", range(4))
def test_a_bass_line_without_matters_of_taste_is_rated_as_mir_eval_rates_it(seed: int) -> None:
    line = [TrueNote(6 - k % 3, 40.0 + k % 12, 0.4 * k, 0.4 * k + 0.3, 0.4 * k + 0.3, 0.4 * k + 0.3) for k in range(60)]
    found = [row for row in spoilt(line, seed) if row.offset_s - row.onset_s >= 0.02]
    result = score(TrueBass(line), found, strings=6)
    for tolerance_s, rates in result.bass.items():
        expected = rated_by_mir_eval(line, found, tolerance_s)
        assert isinstance(rates, Rates)
        assert (rates.precision, rates.recall, rates.f) == pytest.approx(expected, abs=1e-12)


@pytest.mark.filterwarnings("ignore:Passing a schema to Validator:DeprecationWarning")  # of a library jams stands on
def test_a_file_that_the_jams_library_writes_is_read(tmp_path: Path) -> None:
    import jams

    true = load_truth(DEMO, Rig())
    file = jams.JAMS()
    file.file_metadata.duration = 18.0
    for string in range(1, 7):
        annotation = jams.Annotation(namespace="note_midi")
        annotation.annotation_metadata.data_source = str(6 - string)
        for note in true:
            if note.string == string:
                annotation.append(time=note.onset_s, duration=note.offset_s - note.onset_s, value=note.midi)
        file.annotations.append(annotation)
    file.save(str(tmp_path / "demo.jams"), strict=True)
    read = load_truth(tmp_path / "demo.jams", Rig())
    assert [note.string for note in read] == [note.string for note in true]
    for name in ("onset_s", "offset_s", "midi"):
        assert [getattr(note, name) for note in read] == pytest.approx([getattr(note, name) for note in true], abs=1e-9)


def write_rows(path: Path, rows: Sequence[FoundNote]) -> Path:
    with path.open("w", newline="", encoding="utf-8") as file:
        table = csv.writer(file)
        table.writerow(("onset_s", "offset_s", "string", "midi"))
        table.writerows((row.onset_s, row.offset_s, row.string, row.midi) for row in rows)
    return path


@with_recordings
@pytest.mark.parametrize("take", ["funk_comp", "jazz_comp", "rock_solo", "bossa_comp"])
def test_spoilt_results_get_the_figures_of_an_independent_scorer(take: str, tmp_path: Path) -> None:
    truth_file = recorded("takes", f"{take}.json")
    truth = TrueBass(load_truth(truth_file, Rig()))
    bassline, notes = spoilt(truth.stretches, 11), spoilt(truth.notes, 12)
    files = (write_rows(tmp_path / "bassline.csv", bassline), write_rows(tmp_path / "notes.csv", notes))
    done = subprocess.run(
        [sys.executable, str(SCORER), str(truth_file), *map(str, files)], capture_output=True, text=True, check=True
    )
    theirs = json.loads(done.stdout)
    ours = score(truth, bassline, notes, strings=6).as_dict()
    assert theirs == {
        "path_right": ours["path_right"],
        "path_missed": ours["path_missed"],
        "path_false": ours["path_false"] or 0.0,
        "bass_p": ours["bass"]["50_ms"]["precision"],
        "bass_r": ours["bass"]["50_ms"]["recall"],
        **{f"bass_f1_{ms}ms": ours["bass"][f"{ms}_ms"]["f"] for ms in (50, 20, 10)},
        "string_f1": ours["string_f"],
    }
    assert 0.3 < theirs["path_right"] < 0.99
