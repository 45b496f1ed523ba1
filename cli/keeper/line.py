"""Who stands by for the keeper in charge: a line of keepers, each ready to take over, and watched by the one in charge.

There are as many places as ``STAND_BYS``. A place is a lock, and a slot of the shared record in which its holder says
who it is, that it lives, and whether it could take over at once. Nothing may be muted while nobody could.
"""

import subprocess
import sys
import time
from pathlib import Path

from thumbline.cli.shared.live_memory import STAND_BYS, field_view
from thumbline.cli.shared.processes import MODULE, STOPPED, ProcessHandle, ProcessLock, kill, state_of
from thumbline.dsp.memory.record_type import Record

#: Time between looks of the one in charge, and between looks for a free place: its own, and of one who stands by, in
#: nanoseconds.
LOOK_NS, FREE_NS, AHEAD_NS = 20_000_000, 250_000_000, 50_000_000
#: One whose heartbeat is older than this may have been stopped: it is asked for, in nanoseconds.
LATE_NS = 30_000_000
#: One whose heartbeat is older than this does not count as warm, and is ended after the second, in nanoseconds; after
#: the third if it is the processor that it waits for.
SILENT_NS, HANGS_NS, STARVES_NS = 250_000_000, 1_000_000_000, 3_000_000_000
#: A keeper that has been started must have taken its place within this, in nanoseconds.
START_NS = 30_000_000_000


class Place:
    """The place in the line that this process has.

    Parameters
    ----------
    memory
        The memory file.
    live
        The record in it.
    """

    def __init__(self, memory: Path, live: Record):
        self._locks = _locks(memory)
        self._slots = _Slots(live)
        self._number = -1
        self._looked_ns = 0

    def take(self, pid: int) -> bool:
        """Take the foremost place that is free, leaving the one behind; False if there is none for us."""
        now_ns = time.monotonic_ns()
        ahead = range(STAND_BYS if self._number < 0 else self._number)
        if now_ns - self._looked_ns < AHEAD_NS and all(self._slots.pid[number] for number in ahead):
            return self._number >= 0
        self._looked_ns = now_ns
        for number in ahead:
            if self._locks[number].take():
                self._clear()
                self._number = number
                self._slots.beat_ns[number] = now_ns
                self._slots.pid[number] = pid
                break
        return self._number >= 0

    @property
    def is_next(self) -> bool:
        """Whether nobody is before us."""
        return self._number == 0

    def beat(self, *, warm: bool) -> None:
        """Say that we live, and whether we could take over at once."""
        self._slots.beat_ns[self._number] = time.monotonic_ns()
        self._slots.warm[self._number] = warm

    def leave(self) -> None:
        """Leave the line."""
        self._clear()
        self._number = -1

    def _clear(self) -> None:
        if self._number >= 0:
            self._slots.warm[self._number] = self._slots.pid[self._number] = 0
            self._locks[self._number].give_back()


class Line:
    """The line as the one in charge sees it.

    Parameters
    ----------
    memory
        The memory file.
    live
        The record in it.
    """

    def __init__(self, memory: Path, live: Record):
        self._memory = memory
        self._locks = _locks(memory)
        self._slots = _Slots(live)
        self._watched = [ProcessHandle(0) for _ in range(STAND_BYS)]
        self._started: subprocess.Popen[bytes] | None = None
        self._started_ns = self._looked_ns = self._free_looked_ns = 0
        self._warm = False

    def is_warm(self, now_ns: int) -> bool:
        """Whether somebody could take over at once. Ends who is stopped or hangs."""
        if now_ns - self._looked_ns >= LOOK_NS:
            self._looked_ns = now_ns
            warm = [self._look(number, now_ns) for number in range(STAND_BYS)]
            self._warm = any(warm)
        return self._warm

    def see_to_it(self, now_ns: int) -> None:
        """Start another keeper if a place is free and nobody is on the way to it."""
        if now_ns - self._free_looked_ns < FREE_NS or self._on_the_way(now_ns) or not self._memory.exists():
            return
        self._free_looked_ns = now_ns
        if any(map(_is_free, self._locks)):
            command = [sys.executable, *MODULE, "thumbline.cli.keeper", str(self._memory)]
            self._started = subprocess.Popen(command, stdin=subprocess.DEVNULL, start_new_session=True)
            self._started_ns = now_ns

    def _look(self, number: int, now_ns: int) -> bool:
        pid = self._slots.pid[number]
        if pid != self._watched[number].pid:
            self._watched[number].close()
            self._watched[number] = ProcessHandle(pid)
        if not pid or self._watched[number].ended:
            return False
        silent_ns = now_ns - self._slots.beat_ns[number]
        state = state_of(pid) if silent_ns > LATE_NS else ""
        # A runnable process is only starved of processor time: it gets more patience.
        if state == STOPPED or silent_ns > (STARVES_NS if state == "R" else HANGS_NS):
            kill(pid)
            return False
        return bool(self._slots.warm[number]) and silent_ns < SILENT_NS

    def _on_the_way(self, now_ns: int) -> bool:
        """Whether the keeper that was started last still loads what it needs; one that is stopped at it is ended."""
        started = self._started
        if started is None or started.poll() is not None or started.pid in self._slots.pid:
            return False
        if now_ns - self._started_ns > START_NS or state_of(started.pid) == STOPPED:
            started.kill()
        return True


class _Slots:
    """What the record says of those who stand by, one number per place."""

    def __init__(self, live: Record):
        self.pid, self.beat_ns, self.warm = (
            field_view(live, f"keeper.standby_{name}") for name in ("pid", "beat_ns", "warm")
        )


def _locks(memory: Path) -> list[ProcessLock]:
    return [ProcessLock.of(memory, f"standby-{number}") for number in range(STAND_BYS)]


def _is_free(lock: ProcessLock) -> bool:
    if not lock.take():
        return False
    lock.give_back()
    return True
