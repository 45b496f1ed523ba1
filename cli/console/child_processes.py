"""What a run of `thumbline live` has behind the scenes: a private folder, and the processes that are started for it.

Nothing heavy is loaded here, so that the engine can load what it needs while the console still reads the settings.
"""

import contextlib
import os
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Self

from thumbline.cli.shared.processes import MODULE, STAND_BY, STOPPED, ProcessHandle, state_of
from thumbline.cli.shared.runs import PREFIX

#: What tells a process that stands by to begin.
GO = b"go\n"
#: Grace period for a killed process to exit, in seconds.
END_S = 1.5


class Child:
    """A process of ours; what it prints goes to a file, never to the terminal."""

    def __init__(self, module: str, memory: Path, *arguments: str):
        self._command = [sys.executable, *MODULE, module, str(memory), *arguments]
        self._log = memory.with_name(f"{module.rsplit('.', 1)[1]}.log")
        self.process: subprocess.Popen[bytes] | None = None
        self._warm: Path | None = None
        self.started_ns = 0
        self.retry_ns = 0

    def start(self, *, stand_by: bool = False) -> None:
        """Start it in a session of its own: the terminal's Ctrl-C is the console's business.

        One that is to stand by loads what it needs, makes a file to say so (:attr:`is_warm`), and begins when
        :meth:`go` tells it on its standard input, whose end also tells it that the console has gone.
        """
        self._close_pipe()
        self.started_ns = time.monotonic_ns()
        self._warm = self._log.with_name(f"warm-{self.started_ns}") if stand_by else None
        command = self._command if self._warm is None else [*self._command, STAND_BY, str(self._warm)]
        with self._log.open("ab") as log:
            self.process = subprocess.Popen(
                command,
                stdin=subprocess.PIPE if stand_by else subprocess.DEVNULL,
                stdout=log,
                stderr=log,
                start_new_session=True,
            )

    @property
    def was_to_stand_by(self) -> bool:
        """Whether it was started to stand by and has not been told to begin, whether it lives or not."""
        return self._warm is not None

    @property
    def stands_by(self) -> bool:
        """Whether it stands by, or is about to: once told to, it begins as soon as it is warm."""
        return self.was_to_stand_by and self.process is not None and self.code is None

    @property
    def is_warm(self) -> bool:
        """Whether it stands by and has loaded all that it needs."""
        return self.stands_by and self._warm is not None and self._warm.exists()

    @property
    def is_stopped(self) -> bool:
        """Whether a signal has stopped it (Linux can tell)."""
        return state_of(self.pid) == STOPPED

    def go(self) -> None:
        """Let it begin that has stood by."""
        self.started_ns, self._warm = time.monotonic_ns(), None
        if self.process is not None and self.process.stdin is not None:
            with contextlib.suppress(OSError):
                self.process.stdin.write(GO)
                self.process.stdin.flush()

    def _close_pipe(self) -> None:
        if self.process is not None and self.process.stdin is not None:
            with contextlib.suppress(OSError):
                self.process.stdin.close()

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
            self._close_pipe()

    def last_words(self) -> str:
        """The last line that it printed."""
        with contextlib.suppress(OSError):
            lines = self._log.read_text(errors="replace").strip().splitlines()
            return lines[-1] if lines else ""
        return ""


def base_folder() -> Path:
    """Return where the folders of all runs are: in memory, where the system has such a place."""
    shared = Path("/dev/shm")
    return shared if shared.is_dir() and os.access(shared, os.W_OK) else Path(tempfile.gettempdir())


class Backstage:
    """The folder and the processes; a context manager that leaves neither."""

    def __init__(self) -> None:
        base = base_folder()
        _remove_leftovers(base)
        self._folder = Path(tempfile.mkdtemp(prefix=f"{PREFIX}{os.getpid()}-", dir=base))
        self.memory = self._folder / "memory"  #: the file, not made yet
        self.engine = Child("thumbline.cli.engine", self.memory)
        self.spare = Child("thumbline.cli.engine", self.memory)  #: an engine that stands by, once it is started
        self.keeper = Child("thumbline.cli.keeper", self.memory)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *error: object) -> None:
        for child in (self.engine, self.spare, self.keeper):
            child.kill()
        shutil.rmtree(self._folder, ignore_errors=True)


def _leftovers(base: Path) -> Iterator[Path]:
    """Folders of runs that were killed."""
    for folder in base.glob(f"{PREFIX}*"):
        pid = folder.name.removeprefix(PREFIX).split("-")[0]
        if len(pid) < 10 and pid.isascii() and pid.isdecimal() and ProcessHandle(int(pid)).ended:
            yield folder


def _remove_leftovers(base: Path) -> None:
    if os.name == "posix":  # elsewhere a number says nothing about who has it now
        for folder in _leftovers(base):
            shutil.rmtree(folder, ignore_errors=True)
