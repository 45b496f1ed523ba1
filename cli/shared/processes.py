"""Processes that watch one another: whether one has ended, and which of several is in charge."""

import contextlib
import functools
import os
import select
import signal
import sys
import time
import traceback
from collections.abc import Callable
from pathlib import Path
from typing import Any, NoReturn, Self

from thumbline.dsp.errors import InputError
from thumbline.dsp.files.file_lock import lock

#: How Python runs a module of ours. Modules are not looked for in the working folder (-P): it may hold anything.
MODULE = ("-P", "-m")
#: What tells a process to stand by.
STAND_BY = "--stand-by"
#: Real-time priority of what must answer under any load and never hold up the sound: below that of the clients of a
#: JACK server, which is 5 unless it is told otherwise (jackd(1), -P).
BELOW_SOUND = 3
#: What Linux says of a process that a signal has stopped (:func:`state_of`).
STOPPED = "T"


class ProcessHandle:
    """A process by its number. Its exit is noticed at once, even before it is reaped.

    Where the system has no handle for that (only Linux has one in Python), its number must be gone. On Windows no
    harmless way to ask exists: there the process never counts as ended, and its heartbeat must tell.
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
    def has_handle(self) -> bool:
        """Whether the system will tell of its end at once."""
        return self._handle >= 0

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

    def wait(self, seconds: float) -> None:
        """Wait for its end, but no longer than that; where the system has no handle, or it has ended, just so long."""
        if self._handle >= 0 and not self._ended:
            select.select([self._handle], [], [], seconds)
        else:
            time.sleep(seconds)

    def close(self) -> None:
        """Let go of the handle."""
        if self._handle >= 0:
            os.close(self._handle)
            self._handle = -1


class ProcessLock:
    """A lock that one process at a time holds, and that the system takes from it however it ends."""

    def __init__(self, path: Path):
        self._path = path
        self._file: Any = None

    @classmethod
    def of(cls, memory: Path, name: str) -> Self:
        """The lock that processes of one memory file know by ``name``."""
        return cls(memory.with_name(f"{memory.name}.{name}"))

    def take(self) -> bool:
        """Take it if nobody else has it; True if it is ours now."""
        if self._file is not None:
            return True
        file = self._path.open("a+b")
        with contextlib.suppress(OSError):
            lock(file)
            self._file = file
            return True
        file.close()
        return False

    def give_back(self) -> None:
        """Let others have it."""
        if self._file is not None:
            self._file.close()
            self._file = None


@functools.cache
def can_split() -> bool:
    """Whether a process may make a copy of itself and wait for its end; only Linux has the handles."""
    watched = ProcessHandle(os.getpid())
    try:
        return watched.has_handle
    finally:
        watched.close()


def state_of(pid: int) -> str:
    """Return Linux's letter for what a process does: R runs or would, S and D wait, T is stopped; "" elsewhere."""
    with contextlib.suppress(OSError, IndexError):
        return Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()[0]
    return ""


def kill(pid: int) -> None:
    """End a process at once; 0 is none, and one that has gone or is not ours is let be."""
    if pid:
        with contextlib.suppress(ProcessLookupError, PermissionError):
            os.kill(pid, getattr(signal, "SIGKILL", signal.SIGTERM))


def last_line(log: Path) -> str:
    """Return the last line that a process printed into its file, "" if there is none."""
    with contextlib.suppress(OSError):
        return (log.read_text(errors="replace").strip().splitlines() or [""])[-1]
    return ""


def raise_priority(priority: int, *, children: bool) -> None:
    """Ask the system for real-time scheduling; do without if it is refused.

    ``priority`` is 1 to 99 (POSIX). Threads and processes started from here on have it too if ``children``; without,
    only where the system can tell (Linux).
    """
    if hasattr(os, "sched_setscheduler"):
        policy = os.SCHED_FIFO | (0 if children else getattr(os, "SCHED_RESET_ON_FORK", 0))
        with contextlib.suppress(OSError):
            os.sched_setscheduler(0, policy, os.sched_param(priority))


def raise_priority_of_all(priority: int) -> None:
    """Ask for real-time scheduling of every thread of this process that has none, libraries' own ones too (Linux).

    A JACK server waits for the thread in which it speaks to a client, whoever it is that asks for something. And a
    process that is killed has not ended before each of its threads has had a processor to end on.
    """
    with contextlib.suppress(OSError):
        for thread in [int(folder.name) for folder in Path("/proc/self/task").iterdir()]:
            if os.sched_getscheduler(thread) == os.SCHED_OTHER:
                os.sched_setscheduler(thread, os.SCHED_FIFO, os.sched_param(priority))


def run_and_exit(work: Callable[[Path], int]) -> NoReturn:
    """Do the work of the process whose first argument is a memory file, and leave without tidying up what may hang."""
    code = 1
    try:
        code = work(Path(sys.argv[1]))
    except InputError as error:
        print(error, file=sys.stderr)
        code = 2
    except BaseException:
        traceback.print_exc()
    finally:
        sys.stdout.flush()
        sys.stderr.flush()
        os._exit(code)
