"""Events leave the kernel through a ring in the state record."""

import numpy as np

from thumbline.dsp.compilation import kernel
from thumbline.dsp.records import EVENTS, Record


@kernel
def emit(
    st: Record, frame: int, decided: int, kind: int, string: int, value: float, extra: float, level: float
) -> None:
    """Write one event; the host takes it before ``EVENTS`` more have come."""
    event = st.events[st.events_written & (EVENTS - 1)]
    event.frame = frame
    event.decided = decided
    event.kind = kind
    event.string = string
    event.value = value
    event.extra = extra
    event.level = level
    st.events_written += 1


def take_events(st: Record, read: int) -> tuple[np.ndarray, int]:
    """Copy the events written since ``read`` of them had been.

    Returns the events in order (dtype ``EVENT``) and the new count. Of more than ``EVENTS`` unread ones only the
    newest are left.
    """
    written = int(st["events_written"])
    first = max(read, written - EVENTS)
    return st["events"][np.arange(first, written) & (EVENTS - 1)], written
