"""Mutes on stage: nothing stays closed that must be open."""

from hypothesis import given
from hypothesis import strategies as st

from tests.helpers.sound_module import Module
from thumbline.dsp.live.mutes import AGAIN_S, LiveMutes
from thumbline.dsp.midi.mutes import ControlChange

EVERY = frozenset(range(1, 7))


class Receiver:
    """What a module knows after the messages that it was sent: its mutes are open when it wakes up."""

    def __init__(self) -> None:
        self.closed: set[int] = set()

    def hear(self, messages: list[ControlChange]) -> list[ControlChange]:
        for message in messages:
            string = message.controller - 101
            (self.closed.add if message.value == 127 else self.closed.discard)(string)
        return messages


def test_a_hand_over_sends_only_what_changes() -> None:
    mutes = LiveMutes(6, [Module()])
    assert len(mutes.want(0.0, {6})) == 5
    assert [m.bytes() for m in mutes.want(1.0, {5})] == [[0xB0, 106, 0], [0xB0, 107, 127]]
    assert mutes.closed == EVERY - {5}
    assert mutes.want(2.0, {5}) == []


def test_forced_open_every_string_is_said_open_and_what_was_wanted_meanwhile_holds_afterwards() -> None:
    mutes, module = LiveMutes(6, [Module()]), Receiver()
    module.hear(mutes.want(0.0, {6}))
    assert [m.value for m in module.hear(mutes.force_open(1.0))] == [0] * 6
    assert module.hear(mutes.want(1.5, {4})) == []
    assert not module.closed
    module.hear(mutes.release(2.0))
    assert module.closed == EVERY - {4}


def test_a_whole_state_is_said_again_twice_within_a_tenth_of_a_second_and_a_few_times_more() -> None:
    mutes = LiveMutes(6, [Module()])
    mutes.force_open(1.0)
    said = [(t / 1000, len(mutes.due(t / 1000))) for t in range(1000, 1700)]
    assert [time_s for time_s, count in said if count] == [1.0 + after for after in AGAIN_S]
    assert AGAIN_S[1] < 0.1
    assert mutes.repeated == 6 * len(AGAIN_S)


def test_what_is_said_again_is_how_things_are_by_then() -> None:
    mutes, module = LiveMutes(6, [Module()]), Receiver()
    module.hear(mutes.whole_state(0.0))
    module.hear(mutes.want(0.01, {6}))
    module.hear(mutes.due(0.03))
    assert module.closed == EVERY - {6}


def test_a_module_that_forgot_is_right_again_within_the_time_of_resending_one_string_at_a_time() -> None:
    mutes = LiveMutes(6, [Module()], resend_s=1.0)
    mutes.want(0.0, {2})
    module = Receiver()  # switched on just now
    sent = [module.hear(mutes.due(k / 1000)) for k in range(1001)]
    assert max(map(len, sent)) == 1
    assert 6 <= sum(map(len, sent)) <= 7
    assert module.closed == EVERY - {2}


def test_nothing_is_sent_again_if_the_time_is_0() -> None:
    mutes = LiveMutes(6, [Module()])
    mutes.want(0.0, {2})
    assert all(mutes.due(float(k)) == [] for k in range(100))


def test_strings_that_are_open_are_said_first_in_a_whole_state() -> None:
    mutes = LiveMutes(6, [Module()])
    mutes.want(0.0, {3})
    assert next((m.controller, m.value) for m in mutes.whole_state(1.0)) == (104, 0)


def test_an_opening_that_waits_for_its_gap_is_dropped_when_all_is_forced_open() -> None:
    mutes, module = LiveMutes(6, [Module()], "gap", 0.05), Receiver()
    module.hear(mutes.want(0.0, {6}))
    module.hear(mutes.want(1.0, {5}))
    assert module.closed == EVERY
    module.hear(mutes.force_open(1.01))
    assert not module.closed
    assert module.hear(mutes.due(1.2)) == mutes.whole_state(1.2)  # the repeat, and nothing else


@given(
    st.lists(
        st.tuples(st.sampled_from(["want", "force", "release", "wait", "whole"]), st.frozensets(st.integers(1, 6))),
        max_size=30,
    ),
    st.sampled_from(["unmute first", "mute first", "gap"]),
)
def test_whatever_happens_the_module_is_as_the_keeper_believes(
    steps: list[tuple[str, frozenset[int]]], order: str
) -> None:
    mutes, module, now, forced = LiveMutes(6, [Module()], order, 0.02, 0.5), Receiver(), 0.0, False  # pyright: ignore[reportArgumentType]
    for what, strings in steps:
        now += 0.013
        if what == "want":
            module.hear(mutes.want(now, strings))
        elif what == "force":
            module.hear(mutes.force_open(now))
            forced = True
        elif what == "release":
            module.hear(mutes.release(now))
            forced = False
        elif what == "whole":
            module.hear(mutes.whole_state(now))
        else:
            module.hear(mutes.due(now))
        assert module.closed == mutes.closed
        if forced:
            assert not module.closed
    module.hear(mutes.release(now))
    module.hear(mutes.due(now + 1.0))
    assert module.closed == EVERY - mutes.wanted
