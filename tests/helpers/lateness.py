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
def _watch() -> _Watch:
    watch = _Watch()
    watch.start()
    return watch


def longest_late_s(since_s: float) -> float:
    """The longest time since then, on the monotonic clock, by which the machine was late; 0 if it was never watched."""
    return max((late_s for at_s, late_s in list(_watch().late) if at_s >= since_s), default=0.0)


def all_late_s(since_s: float) -> float:
    """All times since then by which the machine was late, together."""
    return sum(late_s for at_s, late_s in list(_watch().late) if at_s >= since_s)


def reach(condition: Callable[[], Any], seconds: float, why: str = "not reached in time") -> None:
    """Wait until ``condition`` holds, no longer than ``seconds`` in which the machine let us work."""
    _watch()
    begun = time.monotonic()
    while not condition():
        waited = time.monotonic() - begun
        assert waited < seconds or waited < seconds + all_late_s(begun), why
        time.sleep(PERIOD_S)
