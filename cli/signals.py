"""Being told to stop."""

from types import FrameType


def interrupt(number: int, frame: FrameType | None) -> None:
    """Signal handler: unwind as for Ctrl-C, so that nothing half-written stays."""
    raise KeyboardInterrupt
