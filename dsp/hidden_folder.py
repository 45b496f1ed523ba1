"""Hidden folders in which results are made: whether the run that made one still lives, and what a dead one has left.

A folder holds a mark: a file that the run which works there keeps locked, and in which it says on which machine it
runs. A run that is killed loses the lock. Whoever gets it then, on the same machine, may remove the folder. Between
machines that share a disk a lock need not hold (some network file systems keep it to themselves), so what another
machine has left stays.
"""

import re
import secrets
import shutil
import uuid
from contextlib import suppress
from pathlib import Path
from typing import BinaryIO

from thumbline.dsp.file_lock import lock

#: Name of the mark.
MARK = ".alive"
#: Where former files are kept while new ones take their places.
BEFORE = ".before"

_NAME = re.compile(r"\.thumbline-[0-9a-f]{16}")
#: Linux: a number drawn anew whenever the system starts, the same in all its containers (random(4)).
_BOOT = Path("/proc/sys/kernel/random/boot_id")


def hidden_path(parent: Path) -> Path:
    """Return a new name for a hidden folder in ``parent``."""
    return parent / f".thumbline-{secrets.token_hex(8)}"


def make_hidden(folder: Path) -> BinaryIO:
    """Make ``folder``, and its parents, and return its mark: it says that we live for as long as it stays open.

    Where there are no locks, or no room for the mark, the folder is never taken for a dead run's. Raises OSError if the
    folder cannot be made.
    """
    mark = _make_with_mark(folder)
    with suppress(OSError):
        # In this order: whoever looks while the mark is not locked yet finds no machine in it, and leaves it alone.
        lock(mark)
        mark.write(_this_machine())
    return mark


def _make_with_mark(folder: Path) -> BinaryIO:
    while True:
        folder.mkdir(parents=True)
        with suppress(FileNotFoundError):  # another start has just removed it, empty as it was; a folder ends the loop
            return (folder / MARK).open("xb", buffering=0)


def remove_hidden(folder: Path, mark: BinaryIO | None = None) -> None:
    """Remove ``folder`` as far as possible, its mark last: a removal that is cut short can be taken up again."""
    with suppress(OSError):
        for path in sorted(folder.iterdir(), key=lambda path: path.name != BEFORE):  # alone, that means: all was moved
            if path.is_dir() and not path.is_symlink():
                shutil.rmtree(path, ignore_errors=True)
            elif path.name != MARK:
                with suppress(OSError):
                    path.unlink()
    if mark:
        mark.close()  # Windows removes no file that is open
    shutil.rmtree(folder, ignore_errors=True)


def remove_leftovers(parent: Path) -> None:
    """Remove the hidden folders in ``parent`` that runs which were killed have left; in doubt leave them."""
    with suppress(OSError):
        for folder in list(parent.iterdir()):
            if _NAME.fullmatch(folder.name) and folder.is_dir() and not folder.is_symlink():
                with suppress(OSError):
                    _remove_if_dead(folder)


def _remove_if_dead(folder: Path) -> None:
    """Remove ``folder`` if its run is dead. Raises OSError if it lives."""
    if not (folder / MARK).is_file():
        folder.rmdir()  # only if it is empty; its run, if it has just begun, makes it anew
        return
    with (folder / MARK).open("r+b", buffering=0) as mark:
        lock(mark)
        machine = mark.read()
        if machine and machine == _this_machine() and not _holds_former_files(folder):
            remove_hidden(folder, mark)


def _holds_former_files(folder: Path) -> bool:
    """Whether its run may have died between two moves: then it may hold the only copy of what was replaced."""
    names = {path.name for path in folder.iterdir()}
    return BEFORE in names and names != {BEFORE, MARK}


def _this_machine() -> bytes:
    """Name this machine as no other is named, since its start if the system counts these; empty if there is no name."""
    with suppress(OSError):
        return _BOOT.read_bytes().strip()
    address = uuid.getnode()
    drawn_by_lot = address >> 40 & 1  # RFC 9562, 6.10: the multicast bit is set where no address was found
    return b"" if drawn_by_lot else f"{address:012x}".encode()
