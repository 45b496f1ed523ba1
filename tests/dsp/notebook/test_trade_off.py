"""Late decisions against false ones."""

import pytest

from tests.material.benches import demo_bench
from thumbline.dsp.notebook.trade_off import false_handovers, trade_offs
from thumbline.dsp.processor.transcript import Handover
from thumbline.dsp.scoring.true_bass import TrueBass
from thumbline.dsp.scoring.truth import TrueNote


def note(string: int, onset_s: float, offset_s: float, fades_s: float | None = None) -> TrueNote:
    return TrueNote(string, 40.0, onset_s, offset_s, fades_s or offset_s, offset_s)


def handover(time_s: float, string: int) -> Handover:
    return Handover(time_s, time_s + 0.002, string, plucked=True)


def test_a_wait_for_the_strum_makes_every_decision_later_by_as_much() -> None:
    points = trade_offs(demo_bench(), "settle_ms", values=(0.0, 10.0, 40.0))
    first = points[0].median_ms
    assert first is not None
    assert [each.median_ms for each in points] == pytest.approx([first, first + 10.0, first + 40.0], abs=0.2)
    assert [each.never for each in points] == [0, 0, 0]


def test_the_longest_wait_leaves_no_strike_on_damped_strings_with_the_bass() -> None:
    none, long = trade_offs(demo_bench(), "settle_ms", values=(0.0, 40.0))
    assert none.false == 4  # of the damped strikes that the truth has: three strings at 7.0 s, two at 9.3 s
    assert none.false_per_minute == pytest.approx(60 * 4 / demo_bench().seconds)
    assert long.false == 0


def test_thresholds_in_the_noise_make_false_handovers() -> None:
    noise, rig = trade_offs(demo_bench(), "on_db", values=(-32.0, 0.0))
    assert noise.false > 4 * rig.false


TRUE = TrueBass([note(6, 1.0, 2.0), note(5, 2.0, 3.0)])


@pytest.mark.parametrize(
    ("handovers", "false"),
    [
        ([handover(1.0, 6), handover(2.0, 5), handover(3.0, 0)], []),
        ([handover(1.0, 6), handover(1.5, 5), handover(1.6, 6)], [1.5]),  # another string in between
        ([handover(0.5, 4), handover(1.0, 6)], [0.5]),  # where nothing sounds
        ([handover(0.5, 6)], []),  # early, and still there when it is right
        ([handover(0.98, 5), handover(1.0, 6)], [0.98]),
        ([handover(2.02, 6), handover(2.05, 5)], []),  # within the guard of the true change
        ([handover(3.2, 0)], []),  # to none is never false
    ],
)
def test_a_handover_is_false_if_its_string_is_never_the_bass_until_the_next(
    handovers: list[Handover], false: list[float]
) -> None:
    assert [each.time_s for each in false_handovers(TRUE, handovers)] == false


def test_where_a_fading_note_leaves_it_open_nothing_is_false() -> None:
    true = TrueBass([note(6, 1.0, 3.0, fades_s=1.5), note(4, 1.2, 2.9)])
    assert false_handovers(true, [handover(1.0, 6), handover(1.8, 4), handover(3.0, 0)]) == []
