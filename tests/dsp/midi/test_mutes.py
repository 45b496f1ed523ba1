import math
from itertools import accumulate

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.helpers.sound_module import Module
from thumbline.dsp.errors import InputError
from thumbline.dsp.midi.mutes import (
    ControlChange,
    MuteDecision,
    MuteOrder,
    MutePlan,
    encode,
    encode_all,
    open_all,
    plan_mutes,
)

STRINGS = 6
ALL = frozenset(range(1, STRINGS + 1))
GAP_S = 0.005
ORDERS: tuple[MuteOrder, ...] = ("unmute first", "mute first", "gap")

Changes = list[tuple[float, frozenset[int]]]
orders = st.sampled_from(ORDERS)
open_sets = st.one_of(
    st.sampled_from([frozenset({string}) for string in sorted(ALL)]),
    st.frozensets(st.sampled_from(sorted(ALL))),
)
# Steps of 1 ms, so that hand-overs fall before, on and after the end of a 5 ms gap.
steps_ms = st.integers(min_value=0, max_value=12)


@st.composite
def hand_overs(draw: st.DrawFn) -> Changes:
    moments = draw(st.lists(st.tuples(steps_ms, open_sets), max_size=25))
    times_ms = accumulate(step_ms for step_ms, _ in moments)
    return [(time_ms / 1000, open_set) for time_ms, (_, open_set) in zip(times_ms, moments, strict=True)]


def carried_out(decisions: list[MuteDecision], at_first: frozenset[int] = ALL) -> list[frozenset[int]]:
    """The open strings after each decision; fails when a decision changes nothing."""
    states = [at_first]
    for decision in decisions:
        assert (decision.string in states[-1]) != decision.open, f"{decision} changes nothing"
        states.append(states[-1] | {decision.string} if decision.open else states[-1] - {decision.string})
    return states


def on_string_six(order: MuteOrder, gap_s: float = GAP_S) -> MutePlan:
    plan = MutePlan(STRINGS, order, gap_s)
    plan.feed(-1.0, {6})
    return plan


def test_every_string_is_open_before_the_first_decision():
    assert MutePlan(STRINGS).open_strings == ALL
    assert MutePlan(STRINGS).feed(0.0, ALL) == []


def test_the_first_bass_string_closes_the_others_from_the_lowest_up():
    assert MutePlan(STRINGS).feed(0.5, {6}) == [MuteDecision(0.5, string, False) for string in (5, 4, 3, 2, 1)]


def test_open_first_opens_the_new_string_before_the_old_one_closes():
    assert on_string_six("unmute first").feed(1.0, {5}) == [(1.0, 5, True), (1.0, 6, False)]


def test_close_first_closes_the_old_string_before_the_new_one_opens():
    assert on_string_six("mute first").feed(1.0, {5}) == [(1.0, 6, False), (1.0, 5, True)]


def test_gap_opens_the_new_string_only_when_the_gap_has_passed():
    plan = on_string_six("gap")
    assert plan.feed(1.0, {5}) == [(1.0, 6, False)]
    assert plan.next_due_s == 1.0 + GAP_S
    assert plan.due(1.0049) == []
    assert plan.due(1.0051) == [(1.0 + GAP_S, 5, True)]
    assert plan.next_due_s is None


def test_a_second_hand_over_within_the_gap_drops_the_string_it_no_longer_wants():
    plan = on_string_six("gap")
    plan.feed(1.0, {5})
    assert plan.feed(1.002, {4}) == []
    assert plan.due(math.inf) == [(1.0 + GAP_S, 4, True)]
    assert plan.open_strings == {4}


def test_hand_overs_faster_than_the_gap_do_not_put_off_the_opening_for_ever():
    plan = on_string_six("gap")
    decisions = [d for k in range(10) for d in plan.feed(1.0 + k * 0.002, {5 if k % 2 else 4})]
    assert decisions[:2] == [(1.0, 6, False), (pytest.approx(1.005), 4, True)]


def test_a_string_that_comes_back_within_its_own_gap_opens_at_once():
    plan = on_string_six("gap")
    plan.feed(1.0, {5})
    assert plan.feed(1.002, {6}) == [(1.002, 6, True)]
    assert plan.due(math.inf) == []


def test_a_string_wanted_by_two_hand_overs_keeps_the_time_it_was_due():
    plan = on_string_six("gap")
    plan.feed(1.0, {5})
    plan.feed(1.003, {5, 4})
    assert plan.due(math.inf) == [(1.0 + GAP_S, 5, True), (1.0 + GAP_S, 4, True)]


def test_an_opening_due_before_the_next_hand_over_is_decided_first_and_at_its_own_time():
    plan = on_string_six("gap")
    plan.feed(1.0, {5})
    assert plan.feed(1.1, {4}) == [(1.0 + GAP_S, 5, True), (1.1, 5, False)]


def test_an_opening_due_in_the_moment_of_the_next_hand_over_does_not_flash_open():
    plan = on_string_six("gap", gap_s=0.5)
    plan.feed(1.0, {5})
    assert plan.feed(1.5, {4}) == [(1.5, 4, True)]


def test_a_gap_of_zero_is_close_first():
    assert on_string_six("gap", 0.0).feed(1.0, {5}) == on_string_six("mute first").feed(1.0, {5})


def test_open_all_and_close_all_are_hand_overs_to_every_string_and_to_none():
    plan = on_string_six("unmute first")
    assert plan.feed(1.0, frozenset()) == [(1.0, 6, False)]
    assert plan.feed(2.0, ALL) == [(2.0, string, True) for string in (6, 5, 4, 3, 2, 1)]


def test_finish_opens_every_string_without_waiting_for_a_gap():
    plan = on_string_six("gap")
    plan.feed(1.0, {5})
    assert plan.finish(1.001) == [(1.001, string, True) for string in (6, 5, 4, 3, 2, 1)]
    assert plan.next_due_s is None


def test_finish_still_opens_at_its_own_time_what_fell_due_before_the_end():
    plan = on_string_six("gap")
    plan.feed(1.0, {5})
    assert plan.finish(2.0)[:2] == [(1.0 + GAP_S, 5, True), (2.0, 6, True)]


def test_a_plan_may_be_fed_again_after_it_has_finished():
    plan = on_string_six("unmute first")
    plan.finish(1.0)
    assert len(plan.feed(2.0, {6})) == STRINGS - 1


def test_a_hand_over_that_arrives_late_takes_the_time_of_the_last_decision():
    plan = on_string_six("gap")
    plan.feed(1.0, {5})
    plan.due(1.01)
    assert plan.feed(1.001, {4}) == [(1.0 + GAP_S, 5, False)]


@given(changes=hand_overs(), order=orders)
def test_hand_overs_end_with_the_wanted_strings_open(changes: Changes, order: MuteOrder):
    plan = MutePlan(STRINGS, order, GAP_S)
    decisions = [d for time_s, open_set in changes for d in plan.feed(time_s, open_set)] + plan.due(math.inf)
    wanted = changes[-1][1] if changes else ALL
    assert carried_out(decisions)[-1] == plan.open_strings == wanted


@given(changes=hand_overs(), order=orders, rest_ms=steps_ms)
def test_hand_overs_are_decided_in_order_and_finish_open(changes: Changes, order: MuteOrder, rest_ms: int):
    end_s = (changes[-1][0] if changes else 0.0) + rest_ms / 1000
    decisions = plan_mutes(changes, end_s, strings=STRINGS, order=order, gap_s=GAP_S)
    times = [decision.time_s for decision in decisions]
    assert times == sorted(times)
    assert all(time_s <= end_s for time_s in times)
    assert carried_out(decisions)[-1] == ALL


@given(changes=hand_overs(), order=orders, data=st.data())
def test_disordered_calls_are_decided_in_order(changes: Changes, order: MuteOrder, data: st.DataObject):
    plan = MutePlan(STRINGS, order, GAP_S)
    decisions: list[MuteDecision] = []
    for time_s, open_set in data.draw(st.permutations(changes)):
        decisions += plan.feed(time_s, open_set) + plan.due(time_s + data.draw(steps_ms) / 1000)
    decisions += plan.finish(0.0)
    times = [decision.time_s for decision in decisions]
    assert times == sorted(times)
    assert carried_out(decisions)[-1] == ALL


@given(changes=hand_overs(), order=orders, data=st.data())
def test_live_polling_decides_what_a_render_decides(changes: Changes, order: MuteOrder, data: st.DataObject):
    rendered = plan_mutes(changes, 1.0, strings=STRINGS, order=order, gap_s=GAP_S)
    plan = MutePlan(STRINGS, order, GAP_S)
    polled: list[MuteDecision] = []
    nexts = [*(time_s for time_s, _ in changes), 1.0][1:]
    for (time_s, open_set), next_s in zip(changes, nexts, strict=True):
        polled += plan.feed(time_s, open_set)
        polls = data.draw(st.lists(st.floats(time_s, next_s), max_size=3))
        polled += [d for poll_s in sorted(polls) if poll_s < next_s for d in plan.due(poll_s)]
    assert polled + plan.finish(1.0) == rendered


@given(changes=hand_overs())
def test_open_first_never_leaves_every_string_closed_on_the_way(changes: Changes):
    changes = [(time_s, open_set) for time_s, open_set in changes if open_set]
    assert all(carried_out(plan_mutes(changes, 1.0, strings=STRINGS, order="unmute first")))


@given(changes=hand_overs(), order=st.sampled_from(ORDERS[1:]))
def test_close_first_and_gap_never_open_a_string_beside_one_that_is_to_close(changes: Changes, order: MuteOrder):
    plan = MutePlan(STRINGS, order, GAP_S)
    state, wanted_before = ALL, ALL
    for time_s, wanted in changes:
        for decision in plan.feed(time_s, wanted):
            state = carried_out([decision], state)[-1]
            if decision.open:
                # What fell due earlier belongs to the hand-over before this one.
                assert state <= (wanted if decision.time_s == time_s else wanted_before)
        wanted_before = wanted


@given(changes=hand_overs())
def test_gap_opens_nothing_sooner_than_the_gap_after_another_string_has_closed(changes: Changes):
    plan = MutePlan(STRINGS, "gap", GAP_S)
    decisions = [d for time_s, open_set in changes for d in plan.feed(time_s, open_set)] + plan.due(math.inf)
    for number, opening in enumerate(decisions):
        closed_before = [d.time_s for d in decisions[:number] if not d.open and d.string != opening.string]
        if opening.open and closed_before:
            assert opening.time_s >= max(closed_before) + GAP_S


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        ((0,), "strings is 0; 1 or more"),
        ((6, "sideways"), "'sideways'; accepted: unmute first, mute first, gap"),
        ((6, "gap", -0.001), "-0.001 s; 0 or more"),
        ((6, "gap", math.nan), "nan s; 0 or more"),
    ],
)
def test_a_plan_names_the_setting_it_cannot_use(arguments: tuple, message: str):
    with pytest.raises(InputError, match=message):
        MutePlan(*arguments)


@pytest.mark.parametrize(
    ("time_s", "string", "message"),
    [(1.0, 7, "string 7 .*; 1 to 6"), (math.nan, 5, "nan s; a finite number")],
)
def test_what_cannot_be_decided_is_refused_and_changes_nothing(time_s: float, string: int, message: str):
    plan = on_string_six("unmute first")
    with pytest.raises(InputError, match=message):
        plan.feed(time_s, {string})
    assert plan.open_strings == {6}


def test_encode_sends_each_module_its_own_channel_controller_and_value():
    modules = [Module(), Module("second", 16, (20, 21, 22, 23, 24, 25), unmuted_value=100, muted_value=3)]
    assert encode(MuteDecision(0.0, 6, False), modules) == [
        ControlChange(1, 107, 127),
        ControlChange(16, 25, 3),
    ]
    assert encode(MuteDecision(0.0, 1, True), modules) == [
        ControlChange(1, 102, 0),
        ControlChange(16, 20, 100),
    ]


def test_encode_names_the_module_that_has_no_controller_for_a_string():
    with pytest.raises(InputError, match="module 'bass module' has no controller for string 7; it has"):
        encode(MuteDecision(0.0, 7, True), [Module()])


def test_encode_all_keeps_times_and_order():
    decisions = on_string_six("mute first").feed(1.0, {5})
    assert encode_all(decisions, [Module()]) == [
        (1.0, ControlChange(1, 107, 127)),
        (1.0, ControlChange(1, 106, 0)),
    ]


def test_open_all_opens_each_string_of_each_module_from_the_lowest_up():
    modules = [
        Module(controllers=(10, 11)),
        Module(channel=2, controllers=(12,), unmuted_value=127, muted_value=0),
    ]
    assert open_all(modules) == [ControlChange(1, 11, 0), ControlChange(1, 10, 0), ControlChange(2, 12, 127)]


@pytest.mark.parametrize(
    ("message", "words"),
    [
        ((17, 102, 127), "MIDI channel is 17; 1 to 16"),
        ((1, 120, 127), "MIDI controller is 120; 0 to 119"),
        ((1, 102, 128), "value of MIDI controller 102 is 128; 0 to 127"),
    ],
)
def test_a_control_change_that_cannot_be_is_refused(message: tuple[int, int, int], words: str) -> None:
    with pytest.raises(InputError, match=words):
        ControlChange(*message)
