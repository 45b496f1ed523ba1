"""The estimated beat against the metronome that 24 performances were played to, and against playing without one.

Performances of GuitarSet: `tests.material.recorded_timing` says what is known of them. Without the folder that
``THUMBLINE_RECORDINGS`` names these checks are skipped. Beats are compared by ``mir_eval.beat`` (C. Raffel et al.,
ISMIR 2014). Its weights were fitted to these performances among others; how far they hold for what they were
not fitted to is told by ``tests/benchmarks/fit_beats.py``, and stands in ``dsp/beats/DESIGN.md``.
"""

import os
from functools import cache

import mir_eval
import numpy as np
import pytest

from tests.helpers.beat_truth import bar_right, beats_right
from tests.material.performances import Performance, without_a_beat
from tests.material.recorded_timing import recorded
from thumbline.dsp.beats.tempo import SURE, Beats, beats_from_bpm, estimate_beats

FOLDER = os.environ.get("THUMBLINE_RECORDINGS")
pytestmark = pytest.mark.skipif(not FOLDER, reason="THUMBLINE_RECORDINGS names no folder with recordings")


def performances() -> tuple[Performance, ...]:
    return recorded(FOLDER or "")


@cache
def estimates() -> tuple[Beats, ...]:
    return tuple(estimate_beats(p.notes, p.bassline, p.end_s + 0.1, 4, None) for p in performances())


def bar_lines(beats: Beats) -> np.ndarray:
    return beats.times_s[beats.downbeat :: beats.beats_per_bar]


def test_tempo_octave_beats_and_bars() -> None:
    """Measured: 24 tempos, 24 octaves, 23 beats (F 1.00, the other 0), 23 bars; left out: dsp/beats/DESIGN.md."""
    pairs = list(zip(performances(), estimates(), strict=True))
    assert len(pairs) == 24
    pace = np.array([beats.bpm * float(np.median(np.diff(p.beats_s))) / 60.0 for p, beats in pairs])
    near = np.abs(pace[:, None] / np.array([0.5, 1.0, 2.0]) - 1.0) < 0.01
    assert near.any(axis=1).mean() >= 0.95
    assert near[:, 1].mean() >= 0.9
    scores = []
    for performance, beats in pairs:
        found = beats.times_s[(beats.times_s >= -0.05) & (beats.times_s <= performance.end_s)]
        scores.append(mir_eval.beat.f_measure(performance.beats_s, found))
    assert np.mean(scores) >= 0.9
    bars = [beats_right(p, beats.times_s) and bar_right(p, bar_lines(beats)) for p, beats in pairs]
    assert np.mean(bars) >= 0.7


def test_beats_are_a_strict_grid() -> None:
    for performance, beats in zip(performances(), estimates(), strict=True):
        steps = np.diff(beats.times_s)
        assert beats.steady, performance.name
        np.testing.assert_allclose(steps, steps[0], atol=1e-9)


def test_confidence_is_how_often_tempo_octave_and_phase_are_right() -> None:
    pairs = list(zip(performances(), estimates(), strict=True))
    right = np.array([beats_right(p, beats.times_s) for p, beats in pairs])
    sure = np.array([beats.confidence or 0.0 for _, beats in pairs])
    assert np.mean(sure[right] >= SURE) >= 0.8
    assert 0.65 <= np.mean(sure) <= np.mean(right) + 0.1
    assert not np.any(sure[~right] >= 0.8)


def test_a_known_tempo_finds_phase_and_bar() -> None:
    given = [
        beats_from_bpm(60.0 / np.diff(p.beats_s)[0], p.notes, p.bassline, p.end_s, 4, None) for p in performances()
    ]
    good = [
        beats_right(p, b.times_s) and bar_right(p, bar_lines(b)) for p, b in zip(performances(), given, strict=True)
    ]
    assert np.mean(good) >= 0.75


@pytest.mark.parametrize("seed", range(6))
def test_onsets_of_the_same_density_without_a_metre_are_not_believed(seed: int) -> None:
    """The notes of a performance, each moved by up to half a second: what is left has no beat."""
    moved = without_a_beat(seed, performances()[4 * seed])
    beats = estimate_beats(moved.notes, moved.bassline, moved.end_s + 1.0, 4, None)
    assert (beats.confidence or 0.0) < SURE
