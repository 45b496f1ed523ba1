"""The processor's events as Python reads them: one small type per kind, every field with one meaning.

The kernel writes all kinds into one record (`thumbline.dsp.memory.events`), whose fields mean something else for each.
Times are in frames: ``frame`` is when it happened in the string's signal, ``decided`` how far the signal had been read
when it was decided. Strings count from 1, the highest.
"""

from collections.abc import Iterator
from typing import NamedTuple, TypeAlias

import numpy as np

from thumbline.dsp.memory.events import BY_PLUCK, END, FAULT, HANDOVER, LOCK, NOTE, PITCH, PLUCK


class Plucked(NamedTuple):
    """A string begins to vibrate."""

    frame: int
    decided: int
    string: int
    level_db: float  #: dBFS


class Pitched(NamedTuple):
    """The pitch of a string at one moment; the first of a pluck is the moment from which it is known."""

    frame: int
    decided: int
    string: int
    hz: float
    clarity: float  #: 0 to 1
    level_db: float  #: dBFS


class NoteBegun(NamedTuple):
    """A pluck has proved to be a note, or a new note began without a pluck."""

    frame: int
    decided: int
    string: int
    hz: float
    peak_db: float  #: dBFS


class Ended(NamedTuple):
    """A note ends, or a pluck that never became one."""

    frame: int
    decided: int
    string: int
    hz: float  #: mean; 0 if it was never known
    peak_db: float  #: dBFS
    was_note: bool


class HandedOver(NamedTuple):
    """The bass passes to ``string``."""

    frame: int
    decided: int
    string: int  #: 0: to none
    previous: int  #: the string that had it; 0: none
    plucked: bool  #: whether a pluck was the cause


class Faulty(NamedTuple):
    """Samples that are not numbers, or absurdly loud, are being replaced by zero."""

    frame: int
    decided: int
    channel: int  #: from 1


Event: TypeAlias = Plucked | Pitched | NoteBegun | Ended | HandedOver | Faulty


def typed_events(events: np.ndarray) -> Iterator[Event]:
    """Yield each event (dtype ``EVENT``) as the type of its kind, in order.

    >>> from thumbline.dsp.memory.events import EVENT
    >>> next(typed_events(np.array([(96, 120, HANDOVER, 6, 5.0, BY_PLUCK, 0.0)], EVENT)))
    HandedOver(frame=96, decided=120, string=6, previous=5, plucked=True)
    """
    for frame, decided, kind, string, value, extra, level in events.tolist():
        if kind in (PITCH, LOCK):
            yield Pitched(frame, decided, string, value, extra, level)
        elif kind == PLUCK:
            yield Plucked(frame, decided, string, value)
        elif kind == NOTE:
            yield NoteBegun(frame, decided, string, value, extra)
        elif kind == END:
            yield Ended(frame, decided, string, value, extra, bool(level))
        elif kind == HANDOVER:
            yield HandedOver(frame, decided, string, int(value), extra == BY_PLUCK)
        elif kind == FAULT:
            yield Faulty(frame, decided, int(value))
        else:
            raise ValueError(f"kind is {kind}; accepted: those of thumbline.dsp.memory.events")
