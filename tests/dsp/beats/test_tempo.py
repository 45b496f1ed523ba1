from pathlib import Path

import numpy as np
import pytest

from tests.helpers.beat_truth import beats_right
from tests.helpers.places import ROOT
from tests.material.performances import as_note, perform
from thumbline.dsp.beats.tempo import (
    SURE,
    beats_from_bpm,
    beats_from_taps,
    check_bpm,
    estimate_beats,
    read_taps,
)
from thumbline.dsp.errors import InputError
from thumbline.dsp.processor.notes import Note
from thumbline.dsp.rig.model import Rig
from thumbline.dsp.scoring.true_bass import TrueBass
from thumbline.dsp.scoring.truth import load_truth
from thumbline.dsp.synthetic.demo_score import BEAT_S


def _note(onset_s: float, midi: float = 40.0, seconds: float = 0.3, velocity: int = 90) -> Note:
    return Note(onset_s, onset_s + seconds, 6, 0, midi, "E2", 82.4, 0.0, velocity)


def _line(bpm: float, beats: int, late_s: float = 0.5, jitter_s: float = 0.0, seed: int = 1) -> list[Note]:
    """A low note on each first beat of four, higher ones on the others."""
    rng = np.random.default_rng(seed)
    return [
        _note(late_s + 60 / bpm * i + rng.normal(0, jitter_s), 40.0 if i % 4 == 0 else 47.0, 0.4 * 60 / bpm)
        for i in range(beats)
    ]


@pytest.mark.parametrize("bpm", [72.0, 96.0, 120.0, 143.0])
def test_the_tempo_of_a_steady_line_is_found_within_half_a_percent(bpm: float) -> None:
    notes = _line(bpm, 32, jitter_s=0.004)
    beats = estimate_beats(notes, notes, 20.0, 4, None)
    assert beats.bpm == pytest.approx(bpm, rel=0.005)
    assert beats.steady
    assert beats.first_bar_s == pytest.approx(0.5, abs=0.02)
    assert beats.confidence is not None
    assert beats.confidence > 0.8


def test_the_demo_is_read_as_written() -> None:
    """Eighths under a melody, at 107.1 bpm and not at twice that; bar 1 begins with the piece."""
    rig = Rig()
    truth = load_truth(ROOT / "data" / "demo.json", rig)
    notes = [as_note(n.onset_s, n.offset_s, n.string, n.midi) for n in truth]
    line = [as_note(s.onset_s, s.offset_s, s.string, s.midi) for s in TrueBass(truth).stretches if s.plucked]
    beats = estimate_beats(notes, line, 26.0, 4, None)
    assert beats.bpm == pytest.approx(60.0 / BEAT_S, rel=0.001)
    assert beats.first_bar_s == pytest.approx(truth[0].onset_s, abs=0.02)
    assert beats.confidence is not None
    assert beats.confidence > 0.8


@pytest.mark.parametrize("style", ["bossa", "thumb", "waltz", "shuffle", "offbeats"])
def test_performances_by_other_players_than_the_weights_were_fitted_to(style: str) -> None:
    performance = perform(style, 7)
    beats = estimate_beats(performance.notes, performance.bassline, performance.end_s, performance.beats_per_bar, None)
    assert beats_right(performance, beats.times_s) or (beats.confidence or 0.0) < SURE


def test_a_tempo_that_changes_at_once_is_followed() -> None:
    times = np.concatenate([0.5 + 0.5 * np.arange(40), 20.5 + 0.43 * np.arange(50)])
    notes = [_note(float(time_s), 40.0 if i % 4 == 0 else 47.0) for i, time_s in enumerate(times)]
    beats = estimate_beats(notes, notes, 43.0, 4, None)
    assert not beats.steady
    assert np.mean(np.min(np.abs(beats.times_s[:, None] - times[None]), axis=0) < 0.03) > 0.9


def test_beats_follow_a_player_who_speeds_up() -> None:
    times = 0.5 + np.cumsum(np.linspace(0.62, 0.48, 40))
    notes = [_note(float(time_s)) for time_s in times]
    beats = estimate_beats(notes, notes, float(times[-1]) + 1, 4, None)
    assert not beats.steady
    off = np.min(np.abs(beats.times_s[:, None] - times[None, 4:-4]), axis=0)
    assert np.mean(off < 0.02) > 0.9


def test_a_known_tempo_is_laid_where_the_notes_are() -> None:
    notes = _line(100.0, 16, late_s=0.83)
    beats = beats_from_bpm(100.0, notes, notes, 12.0, 4, None)
    assert beats.first_bar_s == pytest.approx(0.83, abs=0.005)
    np.testing.assert_allclose(np.diff(beats.times_s), 0.6)


def test_the_first_bar_can_be_set() -> None:
    notes = _line(100.0, 16)
    beats = beats_from_bpm(100.0, notes, notes, 12.0, 3, 1.25)
    assert beats.first_bar_s == pytest.approx(1.25)
    assert beats.bars(6.0)[1] == (2, pytest.approx(3.05), pytest.approx(4.85))


def test_taps_are_kept_and_carried_on_at_both_ends() -> None:
    beats = beats_from_taps([1.0, 1.5, 2.1, 2.6], 6.0, 4, None)
    assert set(np.round(beats.times_s, 6)) >= {1.0, 1.5, 2.1, 2.6}
    assert beats.times_s[0] <= 0.0
    assert beats.times_s[-1] > 6.0
    assert beats.first_bar_s == 1.0


def test_the_beat_before_bar_1_is_the_last_of_bar_0() -> None:
    beats = beats_from_taps([2.0, 2.5], 6.0, 4, None)
    assert beats.position(beats.downbeat - 1) == (0, 4)
    assert beats.position(beats.downbeat + 5) == (2, 2)


@pytest.mark.parametrize("count", [0, 1, 3])
def test_too_few_notes_tell_no_tempo(count: int) -> None:
    notes = [_note(0.2 + 0.5 * i) for i in range(count)]
    beats = estimate_beats(notes, notes, 3.0, 4, None)
    assert (beats.source, beats.known, beats.confidence) == ("none", False, None)


def test_a_tap_file_is_a_time_a_line_with_remarks(tmp_path: Path) -> None:
    file = tmp_path / "taps.txt"
    file.write_text("# Slack Water\n0.5\n1.0  # second\n\n1.5\n")
    assert read_taps(file) == [0.5, 1.0, 1.5]


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("", "0 taps"),
        ("1.0\n", "1 tap;"),
        ("1.0\nabc\n", "line 2"),
        ("1.0\n0.5\n", "follows"),
        ("1.0\n1.01\n", "follows"),
        ("1.0\nnan\n", "line 2"),
        ("-1\n2\n", "line 1"),
        ("1.0\n9.0\n", "follows"),
    ],
)
def test_taps_that_cannot_be_are_refused(tmp_path: Path, text: str, says: str) -> None:
    file = tmp_path / "taps.txt"
    file.write_text(text)
    with pytest.raises(InputError, match=says):
        read_taps(file)


def test_taps_that_are_no_text_are_refused(tmp_path: Path) -> None:
    file = tmp_path / "taps.txt"
    file.write_bytes(b"\xff\xfe\x00\x81")
    with pytest.raises(InputError, match="not text"):
        read_taps(file)
    with pytest.raises(InputError, match="No such file"):
        read_taps(tmp_path / "none.txt")


@pytest.mark.parametrize("bpm", [0.0, 19.0, 401.0, float("nan")])
def test_tempos_nobody_plays_are_refused(bpm: float) -> None:
    with pytest.raises(InputError, match="accepted: 20 to 400"):
        check_bpm(bpm)


def test_notes_of_the_guitar_alone_begin_bar_1_with_the_first() -> None:
    beats = estimate_beats(_line(120.0, 16, late_s=0.65), [], 9.0, 4, None)
    assert beats.first_bar_s == pytest.approx(0.65, abs=0.02)


def test_a_take_that_begins_a_beat_before_its_first_note_was_cut_to_its_bars() -> None:
    """Nothing else tells the bar: no bass, and no note unlike the others."""
    notes = [_note(0.515 + 0.5 * i) for i in range(16)]
    beats = beats_from_bpm(120.0, notes, [], 9.0, 4, None)
    assert beats.first_bar_s == pytest.approx(0.0, abs=0.04)
    assert beats.position(int(np.argmin(np.abs(beats.times_s - 0.5)))) == (1, 2)


def test_a_grid_is_the_click_and_no_beat_moves_to_a_note() -> None:
    rng = np.random.default_rng(7)
    late = rng.normal(0.0, 0.02, 48)
    notes = [_note(0.4 + 0.5 * i + late[i], 40.0 if i % 4 == 0 else 45.0) for i in range(48)]
    beats = estimate_beats(notes, notes, 25.0, 4, None)
    steps = np.diff(beats.times_s)
    np.testing.assert_allclose(steps, steps[0], atol=1e-9)
    assert beats.bpm == pytest.approx(120.0, abs=1e-6)  # a whole number, as clicks have


def test_a_known_tempo_finds_bar_1_where_the_bass_changes() -> None:
    """The take begins with the last beat of a bar: an upbeat."""
    notes = [_note(0.3 + 0.6 * i, [47.0, 40.0, 40.0, 40.0][i % 4] - (i // 4) % 3) for i in range(69)]
    bass = [notes[1 + 4 * bar] for bar in range(17)]
    beats = beats_from_bpm(100.0, notes, bass, 42.0, 4, None)
    assert beats.first_bar_s == pytest.approx(0.9, abs=0.02)


@pytest.mark.parametrize("seed", range(12))
def test_confidence_is_below_a_half_where_nobody_keeps_time(seed: int) -> None:
    """Onsets of a Poisson process, and lengths that have nothing to do with each other."""
    rng = np.random.default_rng(seed)
    steps = rng.exponential(0.4, 80) + 0.05 if seed % 2 else rng.lognormal(np.log(0.35), 0.5, 80)
    times = 0.3 + np.cumsum(steps)
    notes = [_note(float(time_s), float(rng.integers(40, 64))) for time_s in times]
    beats = estimate_beats(notes, notes[::2], float(times[-1]) + 1.0, 4, None)
    assert beats.confidence is None or beats.confidence < SURE


def test_a_long_take_is_judged_in_seconds() -> None:
    notes = [_note(0.5 + 0.25 * i, 40.0 + 5.0 * (i % 3)) for i in range(4800)]
    beats = estimate_beats(notes, notes, 1201.0, 4, None)
    assert any(beats.bpm == pytest.approx(factor * 120.0, rel=1e-3) for factor in (0.5, 1.0, 2.0))


@pytest.mark.parametrize("beats_per_bar", [1, 2, 3, 5, 16])
@pytest.mark.parametrize("steady", [True, False])
def test_bars_of_any_length_are_laid(beats_per_bar: int, steady: bool) -> None:
    lengths = np.full(40, 0.5) if steady else np.linspace(0.62, 0.44, 40)
    times = 0.4 + np.cumsum(lengths)
    notes = [_note(float(time_s), 40.0 + (i % beats_per_bar > 0) * 5.0) for i, time_s in enumerate(times)]
    beats = estimate_beats(notes, notes, float(times[-1]) + 1.0, beats_per_bar, None)
    assert beats.beats_per_bar == beats_per_bar
    assert np.all(np.diff(beats.times_s) > 0.0)
    assert beats.bars(float(times[-1]))
