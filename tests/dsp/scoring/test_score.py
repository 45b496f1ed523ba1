"""Scores of results whose worth is plain."""

import json

import numpy as np
import pytest

from thumbline.dsp.midi.mutes import MuteDecision
from thumbline.dsp.results.folder import FoundNote
from thumbline.dsp.scoring.moments import moments, worst
from thumbline.dsp.scoring.score import Score, score, spread
from thumbline.dsp.scoring.true_bass import TrueBass
from thumbline.dsp.scoring.truth import TrueNote


def true(string: int, onset_s: float, offset_s: float, midi: float = 40.0) -> TrueNote:
    return TrueNote(string, midi, onset_s, offset_s, offset_s, offset_s)


TRUTH = TrueBass([true(6, 0.0, 1.0), true(5, 1.0, 2.0, 45.0), true(6, 2.5, 3.5)])
PERFECT = [FoundNote(0.0, 1.0, 6, 40.0), FoundNote(1.0, 2.0, 5, 45.0), FoundNote(2.5, 3.5, 6, 40.0)]


def scored(bassline: list[FoundNote], **others: object) -> Score:
    return score(TRUTH, bassline, strings=6, **others)  # pyright: ignore[reportArgumentType]  two optional lists


def test_a_perfect_result_is_perfect() -> None:
    result = scored(PERFECT, notes=PERFECT)
    assert (result.path_right, result.path_missed, result.path_false) == (1.0, 0.0, 0.0)
    assert {tolerance: rates.f for tolerance, rates in result.bass.items()} == {0.05: 1.0, 0.02: 1.0, 0.01: 1.0}
    assert result.string_f == 1.0
    assert result.mistakes == ()
    assert (result.onset_error.median_ms, result.onset_error.worst_ms) == (0.0, 0.0)


def test_no_result_misses_all() -> None:
    result = scored([], notes=[])
    assert (result.path_right, result.path_missed, result.path_false) == (0.0, 1.0, 0.0)
    assert result.bass[0.05].f == result.string_f == 0.0
    assert len(result.missed) == 3


def test_a_note_on_the_wrong_string_is_told_with_its_time_and_string() -> None:
    result = scored([PERFECT[0], FoundNote(1.0, 2.0, 4, 45.0), PERFECT[2]])
    (mistake,) = result.mistakes
    assert (mistake.true_string, mistake.found_string) == (5, 4)
    assert (mistake.begin_s, mistake.end_s) == pytest.approx((1.0, 2.0), abs=0.05)
    assert result.confusion_s[5, 4] == pytest.approx(mistake.end_s - mistake.begin_s)
    assert result.confusion_s[5, 5] == 0.0
    assert result.strings[4].path_right == 0.0
    assert result.strings[5].path_right == 1.0


def test_a_note_in_silence_is_false() -> None:
    result = scored([*PERFECT[:2], FoundNote(2.1, 2.4, 3, 55.0), PERFECT[2]])
    assert [row.onset_s for row in result.false] == [2.1]
    assert result.path_false is not None
    assert 0.3 < result.path_false < 0.7
    assert result.bass[0.05].precision == 0.75
    assert [each.words for each in moments(result)] == [
        "string 3 though nothing sounds for 300 ms",
        "false bass note G3 on string 3",
    ]


@pytest.mark.parametrize(("late_s", "found_within"), [(0.006, (0.05, 0.02, 0.01)), (0.015, (0.05, 0.02)), (0.06, ())])
def test_a_late_note_counts_within_its_tolerance(late_s: float, found_within: tuple[float, ...]) -> None:
    result = scored([*PERFECT[:2], FoundNote(2.5 + late_s, 3.5, 6, 40.0)])
    assert tuple(tolerance for tolerance, rates in result.bass.items() if rates.matched == 3) == found_within


def test_a_wrong_pitch_is_no_match() -> None:
    assert scored([*PERFECT[:2], FoundNote(2.5, 3.5, 6, 40.6)]).bass[0.05].matched == 2


def test_latency_runs_until_the_mutes_leave_only_the_true_string_open() -> None:
    mutes = [
        *(MuteDecision(0.003, string, False) for string in range(1, 6)),
        MuteDecision(1.004, 5, True),
        MuteDecision(1.006, 6, False),
    ]
    result = scored(PERFECT, mutes=mutes)
    assert result.after_a_pluck is not None
    assert result.after_a_pluck.times_ms == pytest.approx((3.0, 6.0))
    assert result.after_a_pluck.never == 1  # string 6 at 2.5 s
    assert result.after_a_stop is not None
    assert result.after_a_stop.spread.count == 0


def test_a_stop_below_is_followed_too() -> None:
    truth = TrueBass([true(1, 0.0, 2.0, 64.0), true(6, 0.0, 1.0)])
    mutes = [*(MuteDecision(0.001, string, False) for string in range(1, 6)), MuteDecision(1.01, 1, True)]
    mutes.append(MuteDecision(1.01, 6, False))
    result = score(truth, [], mutes=mutes, strings=6)
    assert result.after_a_stop is not None
    assert result.after_a_stop.times_ms == pytest.approx((10.0,))


def test_all_of_a_score_goes_into_json_though_nothing_was_asked() -> None:
    short = TrueBass([true(6, 0.0, 0.02)])
    plain = score(short, [], [], [], strings=6).as_dict()
    assert json.loads(json.dumps(plain, allow_nan=False))["path_right"] is None


def test_a_spread_is_by_size() -> None:
    assert spread([]) == spread(())
    assert spread([-3.0, 1.0, 2.0]).worst_ms == 3.0
    assert spread([-3.0, 1.0, 2.0]).median_ms == 1.0


def test_the_worst_stretches_do_not_overlap_and_hold_the_weightiest_moment() -> None:
    result = scored([PERFECT[0], FoundNote(1.0, 1.5, 4, 45.0), PERFECT[2]])
    found = worst(result, 3, 0.4)
    begins = [begin_s for begin_s, _ in found]
    assert all(np.diff(begins) >= 0.4)
    heaviest = max(moments(result), key=lambda each: each.weight_s)
    assert any(heaviest in inside for _, inside in found)
    assert worst(scored(PERFECT), 3, 0.4) == []
