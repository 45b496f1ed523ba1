"""Hidden folders in which results are made: whether the run that made one still lives, and what a dead one has left.

A folder holds a mark: a file that the run which works there keeps locked, and in which it says on which machine it
runs. A run that is killed loses the lock. Whoever gets it then, on the same machine, may remove the folder. Between
machines that share a disk a lock need not hold (some network file systems keep it to themselves), so what another
machine has left stays.

Others may write into the folder that holds ours, and exchange one for the other at any moment. So a hidden folder is
used and removed by its handle, never by its name; only its user may enter it; and what another user has left stays.
"""

import os
import re
import secrets
import stat
import uuid
from contextlib import suppress
from pathlib import Path
from typing import BinaryIO

from thumbline.dsp.files.file_lock import lock
from thumbline.dsp.files.folder_handle import FolderHandle

#: Name of the mark.
MARK = ".alive"
#: Where former files are kept while new ones take their places.
BEFORE = ".before"

_NAME = re.compile(r"\.thumbline-[0-9a-f]{16}")
#: Linux: a number drawn anew whenever the system starts, the same in all its containers (random(4)).
_BOOT = Path("/proc/sys/kernel/random/boot_id")
#: Descriptors kept so that what was made can be removed when there are no more: for a folder, one in it, and its list.
_SPARE = 3


def hidden_path(parent: Path) -> Path:
    """Return a new name for a hidden folder in ``parent``."""
    return parent / f".thumbline-{secrets.token_hex(8)}"


class HiddenFolder:
    """A new hidden folder in ``parent``: made by `make`, used through ``folder``, gone after `remove`."""

    def __init__(self, parent: Path) -> None:
        self.path = hidden_path(parent)
        self._parent: FolderHandle | None = None
        self._folder: FolderHandle | None = None
        self._mark: BinaryIO | None = None
        self._spare: list[int] = []

    @property
    def folder(self) -> FolderHandle:
        """The folder itself. Raises ValueError if it has not been made, or has been removed."""
        if self._folder is None:
            raise ValueError("no hidden folder is open")
        return self._folder

    @property
    def parent(self) -> FolderHandle:
        """The folder that holds it. Raises ValueError if it has not been made, or has been removed."""
        if self._parent is None:
            raise ValueError("no hidden folder is open")
        return self._parent

    def make(self) -> None:
        """Make the folder, and its parents, with a mark that says that we live for as long as it stays open.

        Where there are no locks, or no room for the mark, the folder is never taken for a dead run's. Raises OSError if
        the folder cannot be made, or another takes its place before we are in it.
        """
        self.path.parent.mkdir(parents=True, exist_ok=True)
        self._parent = FolderHandle.open(self.path.parent)
        self._make_with_mark(self._parent)
        for _ in range(_SPARE if self._parent.descriptor is not None else 0):
            self._spare.append(os.dup(self._parent.descriptor or 0))
        with suppress(OSError):
            # In this order: whoever looks while the mark is not locked yet finds no machine in it, and leaves it alone.
            if self._mark:
                lock(self._mark)
                self._mark.write(_this_machine())

    def _make_with_mark(self, parent: FolderHandle) -> None:
        while True:
            parent.make_folder(self.path.name, 0o700)
            with suppress(FileNotFoundError):  # another start has just removed it, empty as it was
                self._folder = folder = parent.folder(self.path.name)
                if folder.names():
                    self._folder = None
                    raise PermissionError(1, "another folder has taken the place of ours", str(self.path))
                descriptor = folder.open_file(MARK, os.O_RDWR | os.O_CREAT | os.O_EXCL)
                self._mark = os.fdopen(descriptor, "r+b", buffering=0)
                break
        # A file that we make belongs to us, whatever the file system calls us: so must the folder.
        if os.fstat(self._mark.fileno()).st_uid != folder.status.st_uid:
            folder.remove_file(MARK)
            self._folder = None
            raise PermissionError(1, "another user's folder has taken the place of ours", str(self.path))

    def remove(self) -> None:
        """Remove the folder as far as possible; a second call does nothing more."""
        while self._spare:
            os.close(self._spare.pop())
        parent, folder = self._parent, self._folder
        if parent and folder:
            _empty(folder, self._mark)
            with suppress(OSError):
                if os.path.samestat(parent.look(self.path.name), folder.status):
                    parent.remove_folder(self.path.name)
            folder.close()
        elif parent:  # interrupted before it was opened: it is empty, or not ours
            with suppress(OSError):
                parent.remove_folder(self.path.name)
        if self._mark:
            self._mark.close()
        if parent:
            parent.close()
        self._parent = self._folder = self._mark = None


def _empty(folder: FolderHandle, mark: BinaryIO | None) -> None:
    """Remove all in ``folder`` as far as possible, its mark last: a removal that is cut short can be taken up again."""
    with suppress(OSError):
        for name in sorted(folder.names(), key=lambda name: name != BEFORE):  # alone, that means: all was moved
            if name != MARK:
                with suppress(OSError):
                    folder.remove_all(name)
    if mark and os.name == "nt":
        mark.close()  # Windows removes no file that is open
    with suppress(OSError):
        folder.remove_file(MARK)


def remove_leftovers(parent: Path) -> None:
    """Remove the hidden folders in ``parent`` that killed runs of this user have left; in doubt leave them."""
    with suppress(OSError):
        opened = FolderHandle.open(parent)
        for name in opened.names():
            if _NAME.fullmatch(name):
                with suppress(OSError):
                    _remove_if_dead(opened, name)
        opened.close()


def _remove_if_dead(parent: FolderHandle, name: str) -> None:
    """Remove the folder ``name`` if it is ours and its run is dead. Raises OSError if it lives, or is not a folder."""
    folder = parent.folder(name)
    status = folder.status
    if not _is_ours(status):
        return
    if not folder.holds(MARK):
        _remove_same(parent, name, status)  # only if it is empty; its run, if it has just begun, makes it anew
        return
    with os.fdopen(folder.open_file(MARK, os.O_RDWR), "r+b", buffering=0) as mark:
        held = os.fstat(mark.fileno())
        if not stat.S_ISREG(held.st_mode) or not _is_ours(held):
            return
        lock(mark)
        machine = mark.read()
        if machine and machine == _this_machine() and not _holds_former_files(folder):
            _empty(folder, mark)
            _remove_same(parent, name, status)


def _is_ours(status: os.stat_result) -> bool:
    return not hasattr(os, "geteuid") or status.st_uid == os.geteuid()


def _remove_same(parent: FolderHandle, name: str, status: os.stat_result) -> None:
    """Remove the empty folder ``name`` if it is the one whose ``status`` was taken."""
    if os.path.samestat(parent.look(name), status):
        parent.remove_folder(name)


def _holds_former_files(folder: FolderHandle) -> bool:
    """Whether its run may have died between two moves: then it may hold the only copy of what was replaced."""
    names = set(folder.names())
    return BEFORE in names and names != {BEFORE, MARK}


def _this_machine() -> bytes:
    """Return a name that only this machine has, since its start if the system counts these; empty if it has none."""
    with suppress(OSError):
        return _BOOT.read_bytes().strip()
    address = uuid.getnode()
    drawn_by_lot = address >> 40 & 1  # RFC 9562, 6.10: the multicast bit is set where no address was found
    return b"" if drawn_by_lot else f"{address:012x}".encode()
