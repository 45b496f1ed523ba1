"""Codes, tickets and limits, by their own clocks."""

import pytest

from thumbline.cli.page import guard
from thumbline.cli.page.guard import ADDRESSES, DIGITS, MOST_WRONG, TRIES, Bucket, Buckets, Door, TooManyError

KEY = b"k" * 32


class Clock:
    """A clock that is set by hand."""

    def __init__(self) -> None:
        self.now = 1000.0

    def monotonic(self) -> float:
        return self.now


@pytest.fixture
def clock(monkeypatch: pytest.MonkeyPatch) -> Clock:
    clock = Clock()
    monkeypatch.setattr(guard, "time", clock)
    return clock


def test_a_bucket_gives_so_much_at_once_and_so_much_per_second(clock: Clock) -> None:
    bucket = Bucket(3.0, 2.0)
    assert [bucket.take() for _ in range(4)] == [True, True, True, False]
    clock.now += 1.0
    assert [bucket.take() for _ in range(3)] == [True, True, False]
    clock.now += 1000.0
    assert [bucket.take() for _ in range(4)] == [True, True, True, False]


def test_addresses_have_buckets_of_their_own_and_only_so_many_are_remembered(clock: Clock) -> None:
    buckets = Buckets(1.0, 0.0)
    assert buckets.of("a").take()
    assert not buckets.of("a").take()
    assert buckets.of("b").take()
    for n in range(ADDRESSES):
        buckets.of(str(n)).take()
    assert len(buckets._of) == ADDRESSES


def test_a_code_has_as_many_digits_as_the_standard_asks_and_two(clock: Clock) -> None:
    """NIST SP 800-63B, 5.1.3.2: at least 20 bits; a random code of six digits is enough."""
    codes = {Door(KEY, lambda code: None).code for _ in range(50)}
    assert len(codes) == 50
    assert all(len(code) == DIGITS == 8 and code.isdecimal() for code in codes)


def test_who_tries_waits_and_who_is_right_does_not_count_as_trying(clock: Clock) -> None:
    told: list[str] = []
    door = Door(KEY, told.append)
    for n in range(20):
        assert door.enter(door.code, "a")
        assert told[n] == door.code
    wrong = "x"
    for _ in range(int(TRIES)):
        assert door.enter(wrong, "a") == ""
    with pytest.raises(TooManyError):
        door.enter(door.code, "a")
    assert door.enter(door.code, "b"), "others may"
    clock.now += 31.0
    assert door.enter(door.code, "a")


def test_after_too_many_wrong_codes_in_a_row_none_works(clock: Clock) -> None:
    told: list[str] = []
    door = Door(KEY, told.append)
    for n in range(MOST_WRONG - 1):
        assert door.enter("00", str(n)) == ""
    assert door.enter(door.code, "right"), "the count begins anew"
    for n in range(MOST_WRONG):
        assert not door.is_locked
        assert door.enter("00", str(n + 1000)) == ""
    assert told[-1] == ""
    for code in ("", door.code):
        with pytest.raises(TooManyError):
            door.enter(code, "new")


def test_a_ticket_is_good_for_every_process_of_a_run_and_for_no_other_run(clock: Clock) -> None:
    door = Door(KEY, lambda code: None)
    ticket = door.enter(door.code, "a")
    assert Door(KEY, lambda code: None).knows(ticket)
    assert not Door(b"l" * 32, lambda code: None).knows(ticket)
    name, signed = ticket.split(".")
    for forged in (f"{name[:-1]}z.{signed}", f"{name}.{signed[:-1]}", name, signed, "", "é.ü"):
        assert not door.knows(forged)
