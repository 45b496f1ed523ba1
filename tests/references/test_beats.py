"""The estimated beat against the metronome that 24 performances were played to.

GuitarSet (Q. Xi, R. M. Bittner, J. Pauwels, X. Ye, J. P. Bello, ISMIR 2018) was played to backing tracks; the name of a
take has its tempo. Its note timing lies in the folder that ``THUMBLINE_RECORDINGS`` names; without it these checks are
skipped. The metronome itself is not in the table. That bar 1 begins at the very start of a take is inferred: in 14 of
the 24 the last note is cut within a tenth of a beat of the end of a whole number of bars, counted from there. Players
lag that metronome, by 8 to 30 ms in the median. Beats are compared by ``mir_eval.beat`` (C. Raffel et al., ISMIR 2014).
"""

import csv
import os
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import mir_eval
import numpy as np
import pytest

from thumbline.dsp.beats.tempo import SURE, Beats, beats_from_bpm, estimate_beats
from thumbline.dsp.processor.notes import Note
from thumbline.dsp.processor.settled_line import PASSING_S
from thumbline.dsp.scoring.true_bass import TrueBass
from thumbline.dsp.scoring.truth import TrueNote

FOLDER = os.environ.get("THUMBLINE_RECORDINGS")
pytestmark = pytest.mark.skipif(not FOLDER, reason="THUMBLINE_RECORDINGS names no folder with recordings")


@dataclass(frozen=True)
class Performance:
    name: str
    bpm: float
    notes: tuple[Note, ...]
    bassline: tuple[Note, ...]
    end_s: float

    @property
    def metronome_s(self) -> np.ndarray:
        return np.arange(0.0, self.end_s, 60.0 / self.bpm)

    def bar_error(self, beats: Beats) -> float:
        """How far bar 1 is from a bar line of the metronome, s."""
        bar_s = 240.0 / self.bpm
        return (beats.first_bar_s + 0.5 * bar_s) % bar_s - 0.5 * bar_s


def _note(onset_s: float, offset_s: float, string: int, midi: float) -> Note:
    return Note(onset_s, offset_s, string, 0, midi, "", 440.0, 0.0, 88)


@cache
def performances() -> tuple[Performance, ...]:
    return tuple(_read())


def _read() -> Iterator[Performance]:
    rows: dict[str, list[TrueNote]] = {}
    with (Path(FOLDER or "") / "guitarset" / "notes.csv").open(encoding="utf-8", newline="") as file:
        for row in csv.DictReader(file):
            onset_s = float(row["onset_s"])
            end_s = onset_s + float(row["duration_s"])
            note = TrueNote(int(row["string"]), float(row["midi"]), onset_s, end_s, end_s, end_s)
            rows.setdefault(row["take"], []).append(note)
    for name, played in rows.items():
        notes = tuple(sorted((_note(n.onset_s, n.offset_s, n.string, n.midi) for n in played), key=lambda n: n.onset_s))
        stretches = TrueBass(sorted(played, key=lambda n: n.onset_s)).stretches
        line = tuple(
            _note(s.onset_s, s.offset_s, s.string, s.midi) for s in stretches if s.offset_s - s.onset_s >= PASSING_S
        )
        yield Performance(name, float(name.split("-")[1]), notes, line, max(n.offset_s for n in notes))


@cache
def estimates() -> tuple[Beats, ...]:
    return tuple(estimate_beats(p.notes, p.bassline, p.end_s + 0.1, 4, None) for p in performances())


def test_tempo_octave_beats_and_bars() -> None:
    """Measured: 24 tempos, 24 octaves, a mean F of 0.87 (21 performances above 0.98, 3 off by half a beat), 21 bars."""
    assert len(performances()) == 24
    pairs = list(zip(performances(), estimates(), strict=True))
    ratios = np.array([beats.bpm / p.bpm for p, beats in pairs])
    near = np.abs(ratios[:, None] / np.array([0.5, 1.0, 2.0]) - 1.0) < 0.01
    assert near.any(axis=1).mean() >= 0.95
    assert near[:, 1].mean() >= 0.85
    scores = []
    for performance, beats in pairs:
        found = beats.times_s[(beats.times_s >= -0.05) & (beats.times_s <= performance.end_s)]
        scores.append(mir_eval.beat.f_measure(performance.metronome_s, found))
    assert np.mean(scores) >= 0.85
    assert np.mean(np.array(scores) > 0.9) >= 0.85
    bars = [near[i, 1] and abs(p.bar_error(beats)) < 0.07 for i, (p, beats) in enumerate(pairs)]
    assert np.mean(bars) >= 0.7


def test_beats_are_a_strict_grid_of_whole_tempos() -> None:
    for performance, beats in zip(performances(), estimates(), strict=True):
        steps = np.diff(beats.times_s)
        assert beats.steady, performance.name
        np.testing.assert_allclose(steps, steps[0], atol=1e-9)


def test_confidence_tells_right_from_wrong() -> None:
    """On average; single performances that begin half a beat early are believed all the same."""
    right, sure = [], []
    for performance, beats in zip(performances(), estimates(), strict=True):
        right.append(abs(performance.bar_error(beats)) < 0.07)
        sure.append(beats.confidence or 0.0)
    assert np.mean([s >= SURE for s, r in zip(sure, right, strict=True) if r]) >= 0.8
    assert np.mean(sure) == pytest.approx(np.mean(right), abs=0.15)


def test_a_known_tempo_finds_phase_and_bar() -> None:
    errors = [
        abs(p.bar_error(beats_from_bpm(p.bpm, p.notes, p.bassline, p.end_s, 4, None))) < 0.07 for p in performances()
    ]
    assert np.mean(errors) >= 0.8


@pytest.mark.parametrize("seed", range(6))
def test_onsets_of_the_same_density_without_a_metre_are_not_believed(seed: int) -> None:
    """The notes of a performance, each moved by up to half a second: what is left has no beat."""
    performance = performances()[4 * seed]
    rng = np.random.default_rng(seed)
    moved = sorted(
        (
            _note(start, start + 0.2, n.string, n.midi)
            for n in performance.notes
            for start in [max(n.onset_s + rng.uniform(-0.5, 0.5), 0.0)]
        ),
        key=lambda n: n.onset_s,
    )
    low = [n for n in moved if n.string >= 5]
    beats = estimate_beats(moved, low, performance.end_s + 1.0, 4, None)
    assert (beats.confidence or 0.0) < SURE
