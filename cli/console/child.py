"""A process that the console has started: what it prints goes to a file, never to the terminal."""

import contextlib
import os
import subprocess
import sys
import time
from pathlib import Path

from thumbline.cli.shared.processes import MODULE, STOPPED, can_split, last_line, state_of

#: Grace period for a killed process to exit, in seconds.
END_S = 1.5
#: Nothing of ours is worth more than one thread of the library for linear algebra that NumPy brings along.
ONE_THREAD = {"OPENBLAS_NUM_THREADS": "1"}


class Child:
    """A process of ours.

    Parameters
    ----------
    module
        Run with the memory file.
    memory
        The memory file; what the process prints goes to a file beside it.
    """

    def __init__(self, module: str, memory: Path):
        self.module, self.memory = module, memory
        self.log = memory.with_name(f"{module.rsplit('.', 1)[1]}.log")
        self.process: subprocess.Popen[bytes] | None = None
        self.started_ns = 0

    def start(self) -> None:
        """Start it in a session of its own: the terminal's Ctrl-C is the console's business."""
        self.run()

    def run(self, *arguments: str, piped: bool = False) -> None:
        """Start it with further arguments, and if ``piped`` with its standard input in our hands, and its output."""
        self.close_pipes()
        self.started_ns = time.monotonic_ns()
        with self.log.open("ab") as log:
            self.process = subprocess.Popen(
                [sys.executable, *MODULE, self.module, str(self.memory), *arguments],
                stdin=subprocess.PIPE if piped else subprocess.DEVNULL,
                stdout=subprocess.PIPE if piped and can_split() else log,
                stderr=log,
                start_new_session=True,
                bufsize=0,
                env=ONE_THREAD | os.environ,
            )

    @property
    def is_stopped(self) -> bool:
        """Whether a signal has stopped it (Linux can tell)."""
        return state_of(self.pid) == STOPPED

    def close_pipes(self) -> None:
        """Let go of the ends in our hands; the end of its standard input tells it that the console has gone."""
        for pipe in () if self.process is None else (self.process.stdin, self.process.stdout):
            if pipe is not None:
                with contextlib.suppress(OSError):
                    pipe.close()

    @property
    def code(self) -> int | None:
        """Its exit code, None while it runs or if it was never started."""
        return None if self.process is None else self.process.poll()

    @property
    def pid(self) -> int:
        """Its number, 0 if it was never started."""
        return 0 if self.process is None else self.process.pid

    def kill(self) -> None:
        """End it at once; it may be stopped or hang."""
        if self.process is not None:
            self.process.kill()
            with contextlib.suppress(subprocess.TimeoutExpired):
                self.process.wait(END_S)
            self.close_pipes()

    def last_words(self) -> str:
        """The last line that it printed."""
        return last_line(self.log)
