"""Being told to stop."""

import signal
from types import FrameType


def interrupt(number: int, frame: FrameType | None) -> None:
    """Signal handler: unwind as for Ctrl-C, once, so that nothing half-written stays.

    Whoever is told to stop twice is already putting things away, and must not be disturbed at it.
    """
    signal.signal(number, signal.SIG_IGN)
    raise KeyboardInterrupt
