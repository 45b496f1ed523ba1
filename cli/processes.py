"""Processes that watch one another: whether one has ended, and which of several is in charge."""

import contextlib
import os
import select
from pathlib import Path
from typing import Any


class Watched:
    """A process by its number, known to have ended as soon as it has, even if nobody has collected it yet.

    Where the system has no handle for that (only Linux has one in Python), its number must be gone. On Windows there
    is no harmless way to ask: there the process never counts as ended, and its heartbeat must tell.
    """

    def __init__(self, pid: int):
        self.pid = pid
        self._handle = -1
        self._ended = False
        if pid and hasattr(os, "pidfd_open"):
            try:
                self._handle = os.pidfd_open(pid)
            except ProcessLookupError:
                self._ended = True
            except OSError:  # an old kernel, or out of handles
                self._handle = -1

    @property
    def ended(self) -> bool:
        """Whether it has ended; a process numbered 0 was never there, and has not."""
        if self._ended or not self.pid:
            return self._ended
        if self._handle >= 0:
            self._ended = bool(select.select([self._handle], [], [], 0.0)[0])
        elif os.name == "posix":
            try:
                os.kill(self.pid, 0)
            except ProcessLookupError:
                self._ended = True
            except PermissionError:
                pass
        return self._ended

    def close(self) -> None:
        """Let go of the handle."""
        if self._handle >= 0:
            os.close(self._handle)
            self._handle = -1


class Charge:
    """A lock that one process at a time holds, and that the system takes from it however it ends."""

    def __init__(self, path: Path):
        self._path = path
        self._file: Any = None

    def take(self) -> bool:
        """Take it if nobody else has it; True if it is ours now."""
        if self._file is not None:
            return True
        file = self._path.open("a+b")
        with contextlib.suppress(OSError):
            _lock(file)
            self._file = file
            return True
        file.close()
        return False

    def give_back(self) -> None:
        """Let others have it."""
        if self._file is not None:
            self._file.close()
            self._file = None


def _lock(file: Any) -> None:
    """Raise OSError if another process has the lock."""
    if os.name == "posix":
        import fcntl

        fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
    else:
        import msvcrt

        msvcrt.locking(file.fileno(), msvcrt.LK_NBLCK, 1)
