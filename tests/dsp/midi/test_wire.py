import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.helpers.cable import arrivals, worst_case_s
from tests.helpers.sound_module import Module
from thumbline.dsp.midi.mutes import MuteDecision, plan_mutes
from thumbline.dsp.midi.wire import BYTE_S, DelaySummary, Wire, decision_delays, summarise

CONTROL = (0xB0, 102, 127)
OTHER_CHANNEL = (0xB1, 102, 127)
CLOCK = (0xF8,)
TUNE_REQUEST = (0xF6,)


def in_bytes(messages: list[tuple[int, ...]], *, running_status: bool = True) -> list[int]:
    """Arrivals of messages that are all sent at time 0, in bytes."""
    times = arrivals([(0.0, message) for message in messages], running_status=running_status)
    return [round(time_s / BYTE_S) for time_s in times]


def test_a_status_byte_like_the_one_before_is_left_out():
    assert in_bytes([CONTROL, CONTROL, CONTROL]) == [3, 5, 7]


def test_without_running_status_every_message_is_sent_whole():
    assert in_bytes([CONTROL, CONTROL, CONTROL], running_status=False) == [3, 6, 9]


def test_another_channel_ends_running_status():
    assert in_bytes([CONTROL, OTHER_CHANNEL, CONTROL]) == [3, 6, 9]


def test_a_system_common_message_ends_running_status():
    assert in_bytes([CONTROL, TUNE_REQUEST, CONTROL]) == [3, 4, 7]


def test_a_real_time_message_leaves_running_status_as_it_was():
    assert in_bytes([CONTROL, CLOCK, CLOCK, CONTROL]) == [3, 4, 5, 7]


def test_a_message_waits_until_the_wire_is_free():
    wire = Wire()
    wire.send(1.0, CONTROL)
    assert wire.send(1.0 + BYTE_S, CONTROL) == pytest.approx(1.0 + 5 * BYTE_S)


def test_a_message_on_a_wire_that_has_been_idle_does_not_wait():
    wire = Wire()
    wire.send(1.0, CONTROL)
    assert wire.send(2.0, CONTROL) == pytest.approx(2.0 + 2 * BYTE_S)


def test_the_delay_of_a_decision_ends_with_the_last_module_that_hears_of_it():
    hand_over = [MuteDecision(1.0, 5, True), MuteDecision(1.0, 6, False)]
    modules = [Module(), Module("second", channel=2)]
    delays = decision_delays(hand_over, modules)
    # The channels take turns, so that no status byte can be left out.
    assert delays == pytest.approx([6 * BYTE_S, 12 * BYTE_S])


def test_without_modules_nothing_is_sent_and_nothing_is_late():
    assert decision_delays([MuteDecision(1.0, 5, True)], []) == [0.0]
    assert worst_case_s(6, []) == 0.0


def test_the_worst_case_is_not_exceeded_by_a_take_whose_hand_overs_lie_apart():
    changes = [(k * 0.1, frozenset({k % 6 + 1}) if k % 3 else frozenset(range(1, 7))) for k in range(40)]
    delays = decision_delays(plan_mutes(changes, 10.0, strings=6), [Module()])
    assert max(delays) <= worst_case_s(6, [Module()])


def test_the_summary_has_the_median_and_the_longest_delay():
    assert summarise([0.003, 0.001, 0.002]) == DelaySummary(3, 0.002, 0.003)


def test_there_is_no_summary_of_nothing():
    assert summarise([]) is None


@given(
    st.lists(
        st.tuples(
            st.integers(0, 20),
            st.sampled_from([CONTROL, OTHER_CHANNEL, CLOCK, TUNE_REQUEST, (0x90, 40, 100)]),
        ),
        max_size=30,
    ),
    st.booleans(),
)
def test_nothing_overtakes_and_nothing_arrives_faster_than_its_data_bytes(
    steps: list[tuple[int, tuple[int, ...]]], running_status: bool
):
    messages: list[tuple[float, tuple[int, ...]]] = []
    now_s = 0.0
    for step_ms, message in steps:
        now_s += step_ms / 1000
        messages.append((now_s, message))
    times = arrivals(messages, running_status=running_status)
    assert times == sorted(times)
    for (sent_s, message), arrived_s in zip(messages, times, strict=True):
        assert arrived_s - sent_s >= max(1, len(message) - 1) * BYTE_S - 1e-12
