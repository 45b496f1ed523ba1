"""The engine that stands by, and those that split off it: what the console knows of them.

Where the system can split a process (Linux) one that stands by stays warm behind every engine: told to, it makes a copy
of itself that plays, which takes milliseconds, as often as need be. Elsewhere it begins to play itself, and another
must be started. The other side of the pipe is ``thumbline.cli.engine.stand_by``.
"""

import contextlib
import os
import time
from collections import deque
from pathlib import Path

from thumbline.cli.console.child import END_S, Child
from thumbline.cli.shared.processes import STAND_BY, STOPPED, ProcessHandle, can_split, kill, state_of

#: What has an engine begin: each byte has another one begin.
GO = b"\n"
#: An engine that has ended and of whose exit code nothing has been heard for so long has none, in seconds.
CODE_S = 0.2


class Spare(Child):
    """A process that loads what an engine needs and waits to be told; its standard input's end ends it."""

    _warm: Path | None = None

    def start(self) -> None:
        """Start it afresh."""
        self.kill()
        self._warm = self.log.with_name(f"warm-{time.monotonic_ns()}")
        self._begun: deque[SplitOff] = deque()  # of whose end it has not told
        self._heard = b""
        self.run(STAND_BY, str(self._warm), piped=True)
        if self.process is not None and self.process.stdout is not None:
            os.set_blocking(self.process.stdout.fileno(), False)

    @property
    def stands_by(self) -> bool:
        """Whether it stands by, or is about to: once told to, it begins as soon as it is warm."""
        return self.process is not None and self.code is None

    @property
    def is_warm(self) -> bool:
        """Whether it stands by and has loaded all that it needs."""
        return self.stands_by and self._warm is not None and self._warm.exists()

    def go(self) -> "Child | SplitOff":
        """Have an engine begin; returns the engine."""
        if self.process is not None and self.process.stdin is not None:
            with contextlib.suppress(OSError):
                self.process.stdin.write(GO)
        if can_split():
            self._begun.append(SplitOff(self))
            return self._begun[-1]
        engine = Child(self.module, self.memory)
        engine.process, engine.started_ns, self.process = self.process, time.monotonic_ns(), None
        return engine

    def hear(self) -> None:
        """Take in what it has said of the engines that have split off it."""
        if self.process is None or self.process.stdout is None:
            return
        with contextlib.suppress(OSError, ValueError):  # nothing to read; closed
            self._heard += os.read(self.process.stdout.fileno(), 4096)
        *lines, self._heard = self._heard.split(b"\n")
        for line in lines:
            what, number = line.split()
            if what == b"begun":
                next(each for each in self._begun if not each.pid).pid = int(number)
            else:
                self._begun.popleft().ended_with = int(number)


class SplitOff:
    """An engine that has split off one that stands by, or is about to."""

    def __init__(self, spare: Spare):
        self._spare = spare
        self._from = spare.process
        self.pid = 0  #: its number; 0 until it is known
        self.ended_with: int | None = None  #: exit code, when it is known
        self.started_ns = time.monotonic_ns()
        self._watched = ProcessHandle(0)
        self._gone_ns = 0

    @property
    def process(self) -> object:
        """What it has split off."""
        return self._from

    @property
    def code(self) -> int | None:
        """Its exit code, None while it runs, or may begin yet; 1 if nobody is left who could know."""
        if self.ended_with is None and self._spare.process is self._from:
            self._spare.hear()
        if self.ended_with is None and self._is_gone():
            self._gone_ns = self._gone_ns or time.monotonic_ns()
            if time.monotonic_ns() - self._gone_ns > CODE_S * 1e9:
                self.ended_with = 1
        return self.ended_with

    def _is_gone(self) -> bool:
        if not self.pid:  # it will never begin if who should split has ended
            return self._spare.process is not self._from or self._spare.code is not None
        if self.pid != self._watched.pid:
            self._watched = ProcessHandle(self.pid)
        return self._watched.ended

    @property
    def is_stopped(self) -> bool:
        """Whether a signal has stopped it."""
        return state_of(self.pid) == STOPPED

    def kill(self) -> None:
        """End it at once, and if it has not begun yet, who it should split off."""
        if self.code is not None:
            return
        if not self.pid:
            self._spare.kill()
            return
        kill(self.pid)
        until = time.monotonic() + END_S
        while self.code is None and time.monotonic() < until:
            time.sleep(0.001)

    def last_words(self) -> str:
        """The last line that it printed."""
        return self._spare.last_words()
