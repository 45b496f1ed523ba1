"""A gap in one's own time is not the others' silence."""

import time

import pytest

from thumbline.cli.shared import own_clock
from thumbline.cli.shared.own_clock import OwnClock

MS = 1_000_000


class Hand:
    """A clock that is set by hand, in milliseconds."""

    def __init__(self) -> None:
        self.ms = 1000

    def monotonic_ns(self) -> int:
        return self.ms * MS


@pytest.fixture
def hand(monkeypatch: pytest.MonkeyPatch) -> Hand:
    hand = Hand()
    monkeypatch.setattr(own_clock, "time", hand)
    return hand


def test_who_says_nothing_is_silent_since_then(hand: Hand) -> None:
    clock = OwnClock(0.1)
    for hand.ms in range(1000, 1500, 20):
        assert clock.look() == hand.ms * MS
    assert clock.silent_ns(1100 * MS) == 380 * MS


def test_after_a_gap_silence_counts_from_its_end(hand: Hand) -> None:
    clock = OwnClock(0.1)
    clock.look()
    for hand.ms in (6000, 6020, 6040):
        clock.look()
    assert clock.silent_ns(1000 * MS) == 40 * MS
    assert clock.silent_ns(6030 * MS) == 10 * MS


def test_it_is_the_clock_that_heartbeats_are_written_by() -> None:
    assert abs(OwnClock(0.1).look() - time.monotonic_ns()) < 1000 * MS
