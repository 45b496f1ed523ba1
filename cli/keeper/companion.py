"""Processes that the keeper sees to: who stands by for it, and who hears the feet."""

import subprocess
import sys
import time
from pathlib import Path

from thumbline.cli.shared.processes import MODULE, ProcessLock

#: How often it is looked whether one is there, in seconds.
LOOK_S = 1.0


class Companion:
    """A process that holds a lock for as long as it is there, whichever keeper has started it.

    Parameters
    ----------
    module
        Of ``thumbline.cli``, run with the memory file.
    lock
        The lock's name.
    memory
        The memory file.
    """

    def __init__(self, module: str, lock: str, memory: Path):
        self._command = [sys.executable, *MODULE, f"thumbline.cli.keeper.{module}", str(memory)]
        self._memory = memory
        self._lock = ProcessLock.of(memory, lock)
        self._started: subprocess.Popen[bytes] | None = None
        self._look_at = 0.0

    @property
    def code(self) -> int | None:
        """Exit code of the one that was started from here last; None if it runs or there was none."""
        return None if self._started is None else self._started.poll()

    def see_to_it(self) -> None:
        """Start one, unless there is one or it is on its way."""
        now = time.monotonic()
        if now < self._look_at or (self._started is not None and self.code is None):
            return
        self._look_at = now + LOOK_S
        if self._memory.exists() and self._lock.take():
            self._lock.give_back()
            self._started = subprocess.Popen(self._command, stdin=subprocess.DEVNULL, start_new_session=True)
