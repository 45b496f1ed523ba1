"""Signals that end a process."""

import os
import signal
import sys
import threading
from types import FrameType
from typing import Any

#: An interrupt that was lost comes again after so long, in seconds.
AGAIN_S = 0.01


class StopSignal:
    """``came`` is True once a signal has asked this process to end; ``pid`` is its own number."""

    def __init__(self) -> None:
        self.pid = os.getpid()
        self.came = False
        for name in ("SIGTERM", "SIGINT", "SIGHUP"):
            if (number := getattr(signal, name, None)) is not None:
                signal.signal(number, self._end)

    def _end(self, number: int, frame: FrameType | None) -> None:
        self.came = True


def interrupt(number: int, frame: FrameType | None) -> None:
    """Signal handler: unwind as for Ctrl-C, so that nothing half-written stays.

    A second signal arrives during cleanup, which must not be interrupted; only Ctrl-C, which a person presses, may
    come again.
    """
    if number != signal.SIGINT:
        signal.signal(number, signal.SIG_IGN)

    def passed_over(what: Any) -> None:
        # Objects that the interrupt has left half made complain as they go. One that came within a destructor is lost.
        if isinstance(what.exc_value, KeyboardInterrupt):
            signal.signal(number, interrupt)
            threading.Timer(AGAIN_S, os.kill, (os.getpid(), number)).start()

    sys.unraisablehook = passed_over
    raise KeyboardInterrupt
