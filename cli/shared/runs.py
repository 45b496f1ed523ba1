"""Other runs of `thumbline live` by the same user on this computer, by the memory that they share."""

import contextlib
import os
from collections.abc import Iterator
from pathlib import Path

from thumbline.cli.shared.live_memory import attach
from thumbline.cli.shared.processes import ProcessHandle
from thumbline.dsp.errors import InputError
from thumbline.dsp.memory.record_type import Record

#: Folders of the shared memory are called so, and the console's number.
PREFIX = "thumbline-live-"


def runs(base: Path) -> Iterator[tuple[int, Path, Record]]:
    """The number of each console in ``base``, the folder that all runs' folders are in, its memory file and its record.

    A run whose console has died is one, too, while its keeper lives.
    """
    for folder in sorted(base.glob(f"{PREFIX}*")):
        with contextlib.suppress(OSError, InputError):
            if hasattr(os, "getuid") and folder.stat().st_uid != os.getuid():
                continue
            memory = folder / "memory"
            live = attach(memory)
            console = int(live.console.pid)
            if any(pid and not _ended(pid) for pid in (console, int(live.keeper.pid))):
                yield console, memory, live


def run_on(port: str, place: str, memory: Path) -> int:
    """The console's number of another run, not that of ``memory``, whose keeper sends to ``port``; 0 if none does.

    ``place`` is the MIDI system in which the port is called so.
    """
    for console, other, live in runs(memory.parent.parent):
        named = bytes(live.keeper.port).decode(errors="replace"), bytes(live.keeper.port_place).decode(errors="replace")
        if other != memory and named == (port, place) and live.keeper.port_present and not _ended(int(live.keeper.pid)):
            return console
    return 0


def _ended(pid: int) -> bool:
    watched = ProcessHandle(pid)
    try:
        return watched.ended
    finally:
        watched.close()
