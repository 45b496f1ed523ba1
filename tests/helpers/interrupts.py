"""Ctrl-C at any line of a module."""

import sys
from collections.abc import Callable
from types import FrameType
from typing import Any


def interrupted_at(number: int, module: str, work: Callable[[], object]) -> bool:
    """Raise KeyboardInterrupt before the ``number``-th line that runs in a module's file; whether it came."""
    count = 0

    def trace(frame: FrameType, event: str, _: object) -> Any:
        nonlocal count
        if frame.f_code.co_filename != module:
            return None
        if event == "line":
            count += 1
            if count == number:
                raise KeyboardInterrupt
        return trace

    before = sys.gettrace()
    sys.settrace(trace)
    try:
        work()
    except KeyboardInterrupt:
        return True
    finally:
        sys.settrace(before)
    return False
