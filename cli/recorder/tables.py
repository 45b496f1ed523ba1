"""The tables of a kept take: what happened, a row each, written as it happens and readable when cut off."""

import csv
import io
import math
import os
from collections.abc import Callable, Iterable, Iterator, Sequence
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np

from thumbline.dsp.kept.layout import CONTROL_COLUMNS, EVENT_COLUMNS
from thumbline.dsp.memory.events import END, FAULT, HANDOVER, NOTE, PLUCK
from thumbline.dsp.memory.voice_records import CHARACTERS

Row = tuple[object, ...]

#: What a change of the player's wishes is called in the table: those that the processor is not asked, of which no mark
#: tells,
REQUESTS = {"all_open": "unmute all", "sound_on": "sound", "tuner": "tuner"}
#: and those that it is asked, with how they are shown: level in dB, tone in Hz, interval in semitones.
ASKED: dict[str, tuple[str, Callable[[float], str]]] = {
    "split": ("split", lambda value: f"{value:g}"),
    "hold": ("hold", lambda value: f"{value:g}"),
    "level": ("bass level", lambda value: f"{20.0 * math.log10(value):.2f}" if value > 0.0 else "silent"),
    "tone_hz": ("bass tone", lambda value: f"{value:.1f}" if value > 0.0 else "as in the song"),
    "character": ("character", lambda value: CHARACTERS[int(value) - 1] if value > 0.0 else "as in the song"),
    "ratio": ("interval", lambda value: f"{12.0 * math.log2(value):.2f}" if value > 0.0 else "as in the song"),
}


class GrowingTable:
    """A CSV file that grows: every row that is said to be in it is whole.

    ``size`` is how many bytes of a file that another writer left are good; 0 begins anew.
    """

    def __init__(self, path: Path, columns: Sequence[str], size: int = 0) -> None:
        self._file = os.fdopen(os.open(path, os.O_RDWR | os.O_CREAT | getattr(os, "O_BINARY", 0), 0o666), "r+b", 0)
        self.size = size
        self._file.truncate(size)
        if not size:
            self.write([tuple(columns)])

    def write(self, rows: Iterable[Row]) -> None:
        """Append rows. Raises OSError: then none of them counts, and the call may be tried again."""
        text = io.StringIO()
        csv.writer(text, lineterminator="\n").writerows(rows)
        left = memoryview(text.getvalue().encode())
        at = self.size
        while left:
            self._file.seek(at)
            count = self._file.write(left) or 0
            at, left = at + count, left[count:]
        self.size = at

    def back_to(self, size: int) -> None:
        """Cut off what lies behind so many bytes: after rows that could be written only in part."""
        self.size = size
        self._file.truncate(size)

    def close(self) -> None:
        """Close the file."""
        self._file.close()


class Clock:
    """The time of day of a frame: the computer's clock when the count of frames was last looked at, and the rate."""

    def __init__(self, rate: float) -> None:
        self._rate = rate
        self._zero = datetime.now()

    def set(self, frames: int) -> None:
        """So many frames have come by now."""
        self._zero = datetime.now() - timedelta(seconds=frames / self._rate)

    def row(self, frame: int, event: str, string: object = "", value: object = "") -> Row:
        """Return a row of ``EVENT_COLUMNS``."""
        seconds = frame / self._rate
        clock = (self._zero + timedelta(seconds=seconds)).strftime("%H:%M:%S.%f")[:-3]
        row = (f"{seconds:.6f}", clock, event, string, value)
        assert len(row) == len(EVENT_COLUMNS)
        return row


def event_row(event: Sequence[float], offset: int, clock: Clock) -> Row | None:
    """Return the row of an event of the processor, whose frames begin at the tape's ``offset``; None for pitches."""
    frame, _, kind, string, value, _, level = event
    at = int(frame) + offset
    if kind == PLUCK:
        return clock.row(at, "pluck", int(string), f"{value:.1f}")
    if kind == NOTE:
        return clock.row(at, "note", int(string), f"{value:.3f}")
    if kind == END:
        return clock.row(at, "end" if level else "no note", int(string))
    if kind == HANDOVER:
        return clock.row(at, "bass", int(string), int(value))
    return clock.row(at, "channel fault", "", int(value)) if kind == FAULT else None


def asked_rows(mark: np.void, before: np.void | None, names: Sequence[str], clock: Clock) -> Iterator[Row]:
    """Rows of what a mark has changed since the one ``before``; ``names`` are those of the settings."""
    frame, setting = int(mark["frame"]), int(mark["setting"])
    if mark["anew"]:
        yield clock.row(frame, "begin")
    if before is None or setting != before["setting"]:
        yield clock.row(frame, "song", "", names[setting])
    for name, (event, shown) in ASKED.items():
        if before is not None and mark[name] != before[name]:
            yield clock.row(frame, event, "", shown(float(mark[name])))


def control_row(mark: np.void) -> Row:
    """Return the row of a mark; the numbers are read back as they were."""
    return tuple(mark[name].item() for name in CONTROL_COLUMNS)
