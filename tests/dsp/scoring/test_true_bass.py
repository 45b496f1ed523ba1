"""The true bass and the questions about it, on notes whose answer is plain."""

import numpy as np
import pytest

from thumbline.dsp.scoring.true_bass import GUARD_S, Stretch, TrueBass, string_at
from thumbline.dsp.scoring.truth import TrueNote


def note(string: int, onset_s: float, offset_s: float, fades_s: float | None = None) -> TrueNote:
    return TrueNote(string, 40.0 + 5 * (6 - string), onset_s, offset_s, fades_s or offset_s, offset_s)


def path(bass: TrueBass) -> list[tuple[int, float, float]]:
    return [(each.string, each.onset_s, each.offset_s) for each in bass.stretches]


def test_the_lowest_string_that_sounds_is_the_bass() -> None:
    bass = TrueBass([note(1, 0.0, 2.0), note(6, 0.5, 1.0)])
    assert path(bass) == [(1, 0.0, 0.5), (6, 0.5, 1.0), (1, 1.0, 2.0)]
    assert [each.plucked for each in bass.stretches] == [True, True, False]


def test_of_two_notes_on_a_string_the_later_is_the_bass() -> None:
    assert [each.midi for each in TrueBass([note(6, 0.0, 1.0), TrueNote(6, 43.0, 0.5, 2.0, 2.0, 2.0)]).stretches] == [
        40.0,
        43.0,
    ]


def test_silence_parts_two_stretches() -> None:
    assert path(TrueBass([note(6, 0.0, 1.0), note(6, 1.5, 2.0)])) == [(6, 0.0, 1.0), (6, 1.5, 2.0)]


@pytest.mark.parametrize(("lasts_s", "sure"), [(0.04, False), (0.06, True)])
def test_a_short_stretch_need_not_be_found(lasts_s: float, sure: bool) -> None:
    assert TrueBass([note(5, 0.0, lasts_s), note(6, lasts_s, 1.0)]).stretches[0].sure is sure


def test_a_stretch_that_begins_because_a_lower_note_faded_need_not_be_found() -> None:
    stopped, faded = note(6, 0.0, 1.0), TrueNote(6, 40.0, 0.0, 1.5, 0.8, 1.0)
    assert TrueBass([note(1, 0.0, 2.0), stopped]).stretches[-1].sure
    assert not TrueBass([note(1, 0.0, 2.0), faded]).stretches[-1].sure


def test_nothing_is_asked_near_a_change_or_while_a_note_fades() -> None:
    bass = TrueBass([note(5, 0.0, 2.0), TrueNote(6, 40.0, 1.0, 2.0, 1.3, 2.0)])
    asked = bass.times_s[bass.asked]
    assert not ((asked > 1.0 - GUARD_S) & (asked < 1.0 + GUARD_S)).any()
    assert not ((asked > 1.301) & (asked < 2.0)).any()
    assert ((asked > 1.1) & (asked < 1.3)).any()
    assert bass.excuses(1.5)
    assert not bass.excuses(1.1)


def test_later_spans_lie_over_earlier_ones() -> None:
    spans = [Stretch(0.0, 1.0, 6, 40.0, True, True), Stretch(0.5, 0.8, 5, 45.0, True, True)]
    assert string_at(spans, np.array([0.0, 0.5, 0.79, 0.8, 1.0])).tolist() == [6, 5, 5, 6, 0]


def test_no_notes_make_a_silence_that_is_asked_for() -> None:
    bass = TrueBass([])
    assert bass.stretches == ()
    assert bass.asked.all()
