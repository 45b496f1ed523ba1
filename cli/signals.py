"""Being told to stop."""

import os
import signal
from types import FrameType


class Told:
    """Whether a signal has said that this process is to end."""

    def __init__(self) -> None:
        self.pid = os.getpid()
        self.to_end = False
        for name in ("SIGTERM", "SIGINT", "SIGHUP"):
            if (number := getattr(signal, name, None)) is not None:
                signal.signal(number, self._end)

    def _end(self, number: int, frame: FrameType | None) -> None:
        self.to_end = True


def interrupt(number: int, frame: FrameType | None) -> None:
    """Signal handler: unwind as for Ctrl-C, once, so that nothing half-written stays.

    Whoever is told to stop twice is already putting things away, and must not be disturbed at it.
    """
    signal.signal(number, signal.SIG_IGN)
    raise KeyboardInterrupt
