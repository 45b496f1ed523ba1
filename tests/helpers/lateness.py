"""How late the machine lets a program work: what is promised in milliseconds on a free machine may be as late as that.

A thread wakes at even times and notes by how much it was late. Where other programs have the processors, every process
is late by about as much, the ones under test too.
"""

import threading
import time
from collections import deque
from collections.abc import Callable
from functools import cache
from typing import Any

#: Time between two looks, in seconds.
PERIOD_S = 0.002


class _Watch(threading.Thread):
    def __init__(self) -> None:
        super().__init__(daemon=True)
        self.late: deque[tuple[float, float]] = deque(maxlen=1 << 15)  # when, and by how much, in seconds

    def run(self) -> None:
        before = time.monotonic()
        while True:
            time.sleep(PERIOD_S)
            now = time.monotonic()
            self.late.append((now, max(now - before - PERIOD_S, 0.0)))
            before = now


@cache
def watched() -> _Watch:
    """Begin to watch, once."""
    watch = _Watch()
    watch.start()
    return watch


def longest_late_s(since_s: float, seconds: float) -> float:
    """The longest time by which the machine was late within ``seconds`` from ``since_s`` (monotonic clock) on.

    It must have been `watched` by then. A look that was due within that time counts, however late it came.
    """
    due = (late_s for at_s, late_s in list(watched().late) if since_s <= at_s and at_s - late_s <= since_s + seconds)
    return max(due, default=0.0)


def all_late_s(since_s: float) -> float:
    """All times since then by which the machine was late, together."""
    return sum(late_s for at_s, late_s in list(watched().late) if at_s >= since_s)


def reach(condition: Callable[[], Any], seconds: float, why: str = "not reached in time") -> None:
    """Wait until ``condition`` holds, no longer than ``seconds`` in which the machine let us work."""
    watched()
    begun = time.monotonic()
    while not condition():
        waited = time.monotonic() - begun
        assert waited < seconds or waited < seconds + all_late_s(begun), why
        time.sleep(PERIOD_S)
