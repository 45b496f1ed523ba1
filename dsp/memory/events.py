"""The host's end of the event ring; nothing that reads it needs the compiler."""

import numpy as np

from thumbline.dsp.memory.records import EVENTS, Record


def take_events(st: Record, read: int) -> tuple[np.ndarray, int]:
    """Copy the events written since ``read`` of them had been.

    Returns the events in order (dtype ``EVENT``) and the new count. Of more than ``EVENTS`` unread ones only the
    newest are left.
    """
    written = int(st["events_written"])
    first = max(read, written - EVENTS)
    return st["events"][np.arange(first, written) & (EVENTS - 1)], written
