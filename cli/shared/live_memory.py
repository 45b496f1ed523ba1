"""The memory that the processes of `thumbline live` share: one record, in a file that each of them maps.

The console makes the file (:func:`thumbline.cli.console.make_memory.create`) and starts the engine and the keeper,
which attach to it (:func:`attach`). What is in it, and who writes what, is laid down in ``thumbline.dsp.live.record``.
Times are nanoseconds of ``time.monotonic_ns``.
"""

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np

from thumbline.dsp.errors import InputError, printable
from thumbline.dsp.live.record import (
    BINS,
    ENDED,
    FAULT,
    LIVE,
    PLAYING,
    READY,
    ROUTES,
    SETTINGS,
    STAND_BYS,
    STARTING,
)
from thumbline.dsp.memory.record_type import Record

__all__ = [
    "BINS",
    "ENDED",
    "FAULT",
    "LIVE",
    "PLAYING",
    "READY",
    "ROUTES",
    "SETTINGS",
    "STAND_BYS",
    "STARTING",
    "attach",
    "bin_of",
    "encoded",
    "encoded_names",
    "field_view",
    "frame_time_ns",
    "names_in",
    "percentile_ns",
    "setting_names",
]


def attach(path: Path, *, to_write: bool = True) -> Record:
    """Map the file at ``path`` and return its record: fields are attributes, and every process sees what one sets.

    Without ``to_write`` nothing can be set: whoever tries gets a ValueError.

    Raises OSError if there is no such file, InputError if it is not one that this version of the program made.
    """
    if path.stat().st_size != LIVE.itemsize:
        raise InputError(f"{path} has {path.stat().st_size} bytes; accepted: a live record of {LIVE.itemsize}")
    return np.memmap(path, LIVE, "r+" if to_write else "r", shape=(1,))[0]


def encoded(text: str, size: int) -> bytes:
    """Return ``text`` as UTF-8 of at most ``size`` bytes, cut between characters, with control characters escaped."""
    return _cut(printable(text), size)


def _cut(text: str, size: int) -> bytes:
    """Return ``text`` as UTF-8 of at most ``size`` bytes, cut between characters; what UTF-8 lacks is escaped."""
    return text.encode(errors="backslashreplace")[:size].decode(errors="ignore").encode()


def encoded_names(names: Sequence[str], size: int) -> bytes:
    """Return ``names``, one per line, as many as fit whole into ``size`` bytes of UTF-8."""
    lines = b""
    for name in names:
        line = name.encode(errors="replace") + b"\n"
        if len(lines) + len(line) > size:
            break
        lines += line
    return lines


def names_in(field: bytes) -> list[str]:
    """Return the names that :func:`encoded_names` has put there."""
    return bytes(field).decode(errors="replace").splitlines()


def setting_names(live: Record) -> list[str]:
    """Return the names of the settings, in order."""
    return [bytes(name).decode() for name in live.names["text"][: int(live.setting_count)]]


def bin_of(ns: float) -> int:
    """Return the bin in which a duration is counted."""
    return min(max(int(4.0 * np.log2(max(ns, 1.0) / 1000.0)), 0), BINS - 1)


def percentile_ns(bins: np.ndarray, share: float) -> float:
    """Return the duration that ``share`` (0 to 1) of those counted in ``bins`` do not exceed, in nanoseconds.

    It is the upper edge of a bin: up to 19 % too long, never too short. 0 if nothing has been counted.
    """
    total = np.cumsum(bins)
    if total[-1] == 0:
        return 0.0
    return float(1000.0 * 2.0 ** ((np.searchsorted(total, share * total[-1]) + 1) / 4.0))


def frame_time_ns(live: Record, frame: int) -> int:
    """Return when the input's ``frame`` arrived (or will), in nanoseconds of ``time.monotonic_ns``."""
    engine = live.engine
    while True:
        frames, at = int(engine.frames), int(engine.block_at_ns)
        if frames == int(engine.frames) and at == int(engine.block_at_ns):
            return at + round((frame - frames + 1) * 1e9 / max(float(engine.rate), 1.0))


def field_view(live: Record, path: str) -> memoryview:
    """Return the field of the shared record at ``path``, such as ``engine.phase``, as a view: of one number, or of all.

    To read it takes a thirtieth of the time of going through the record, of which two thousand rounds a second would
    take a good part of a processor.
    """
    field: Any = np.asarray(live.base).reshape(1)
    for name in path.split("."):
        field = field[name]
    return memoryview(field if field.ndim == 1 else field[0])
