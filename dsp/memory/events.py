"""Events of the processor: their kinds, their record, and the reading end of their ring.

Nothing here needs the compiler.
"""

import numpy as np

from thumbline.dsp.memory.record_type import Record, record_type

#: A string begins to vibrate. ``value``: level in dBFS.
PLUCK = 1
#: Its pitch is known. ``value``: Hz; ``extra``: clarity 0 to 1.
LOCK = 2
#: The pluck has proved to be a note (or a new note began without a pluck). ``value``: Hz; ``extra``: peak level in
#: dBFS.
NOTE = 3
#: Pitch report. ``value``: Hz; ``extra``: clarity; ``level``: dBFS.
PITCH = 4
#: A note ends, or a pluck that never became one. ``value``: mean Hz (0: never known);
#: ``extra``: peak level in dBFS; ``level``: 1 if it was a note.
END = 5
#: The bass passes to ``string`` (0: to none). ``value``: the string that had it; ``extra``: why.
HANDOVER = 6
#: ... because the string was plucked, because the one that had it stopped, or because the rule says so now.
BY_PLUCK, BY_STOP, BY_RULE = 1, 2, 3
#: Samples that are not numbers, or absurdly loud, are being replaced by zero. ``value``: channel.
FAULT = 7
EVENT = record_type(
    [
        ("frame", "i8"),  # when it happened in the string's signal
        ("decided", "i8"),  # how far the signal had been read when it was decided
        ("kind", "i4"),
        ("string", "i4"),  # 1 is the highest
        ("value", "f8"),
        ("extra", "f8"),
        ("level", "f8"),
    ]
)
#: Events kept until the host takes them (power of two).
EVENTS = 4096


def take_events(st: Record, read: int) -> tuple[np.ndarray, int]:
    """Copy the events written since ``read`` of them had been.

    Returns the events in order (dtype ``EVENT``) and the new count. Of more than ``EVENTS`` unread ones only the
    newest are left.
    """
    written = int(st["events_written"])
    first = max(read, written - EVENTS)
    return st["events"][np.arange(first, written) & (EVENTS - 1)], written
