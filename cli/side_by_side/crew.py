"""Processes that work on takes side by side. One that is killed costs the take it worked on, and no other.

They end when they are told to, and when the process that started them has gone, however it went; each puts away first
what it has begun.
"""

import gc
import os
import signal
import threading
import traceback
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, suppress
from ctypes import c_double
from multiprocessing import get_context, parent_process
from multiprocessing.connection import Connection, wait
from pathlib import Path
from typing import Any, NamedTuple

from thumbline.cli.signals import interrupt

#: What is done with a take in a process of its own; it tells what share of it is done, 0 to 1.
Task = Callable[[Path, Callable[[float], None]], Any]

#: Grace period for a worker to put away what it has begun once it must end, in seconds.
PATIENCE_S = 30.0


class Lost(NamedTuple):
    """A process ended while it worked on a take."""

    exit_code: int  #: below 0: the number of the signal that killed it

    @property
    def words(self) -> str:
        """How it ended."""
        if self.exit_code >= 0:
            return f"the process that worked on it ended with exit code {self.exit_code}"
        try:
            name = signal.Signals(-self.exit_code).name
        except ValueError:
            name = f"signal {-self.exit_code}"
        hint = "; fewer --jobs need less memory" if name == "SIGKILL" else ""
        return f"the process that worked on it was killed ({name}){hint}"


class Fault(NamedTuple):
    """What a task raised."""

    error: Exception


class _Worker:
    """A process, the pipe to it, and the index of the take that it works on (None: it waits)."""

    def __init__(self, task: Task, takes: Sequence[Path], shares: Any):
        context: Any = get_context("spawn")
        self.connection: Connection
        self.connection, theirs = context.Pipe()
        self.process = context.Process(target=_serve, args=(theirs, task, takes, shares))
        with _safe_path():
            self.process.start()
        theirs.close()
        self.index: int | None = None

    def give(self, index: int) -> None:
        """Have it work on a take."""
        self.index = index
        with suppress(OSError):  # it has gone; its pipe will say so
            self.connection.send(index)

    def answer(self) -> object:
        """Return what came of its take: a result, a Fault, or Lost if it has ended."""
        try:
            return self.connection.recv()
        except (EOFError, OSError):
            self.process.join(PATIENCE_S)
            return Lost(self.process.exitcode or 0)
        except Exception as error:  # an answer that cannot be read here, such as an exception with a will of its own
            return Fault(RuntimeError(f"{type(error).__name__}: {error}"))


@contextmanager
def _safe_path() -> Iterator[None]:
    """Keep processes that start meanwhile from the modules of the working folder, which may hold names like ours."""
    before = os.environ.get("PYTHONSAFEPATH")
    os.environ["PYTHONSAFEPATH"] = "1"
    try:
        yield
    finally:
        if before is None:
            del os.environ["PYTHONSAFEPATH"]
        else:
            os.environ["PYTHONSAFEPATH"] = before


class Crew:
    """At most ``jobs`` processes that do ``task`` on ``takes``. ``task`` and its results are pickled."""

    def __init__(self, task: Task, takes: Sequence[Path], jobs: int):
        self._task, self._takes, self._jobs = task, takes, jobs
        self._shares: Any = get_context("spawn").RawArray(
            c_double, len(takes)
        )  # a lock would stay with one that is killed
        self._waiting = deque(range(len(takes)))
        self._workers: list[_Worker] = []

    @property
    def share(self) -> float:
        """The share of all takes that is done, 0 to 1."""
        return sum(self._shares) / len(self._takes)

    def outcomes(self, seconds: float) -> list[tuple[int, object]]:
        """Keep everybody busy, wait at most so long, and return what has come: indices of takes, each with its outcome.

        An outcome is what the task returned, a Fault if it raised an exception, or Lost if its process ended.
        """
        for worker in self._workers:
            if worker.index is None and self._waiting:
                worker.give(self._waiting.popleft())
        while self._waiting and len(self._workers) < self._jobs:
            self._workers.append(worker := _Worker(self._task, self._takes, self._shares))
            worker.give(self._waiting.popleft())
        came: list[tuple[int, object]] = []
        ready = wait([worker.connection for worker in self._workers], seconds)
        for worker in [each for each in self._workers if each.connection in ready]:
            outcome, index = worker.answer(), worker.index
            worker.index = None
            if isinstance(outcome, Lost):
                worker.connection.close()
                self._workers.remove(worker)
            if index is not None:
                came.append((index, outcome))
        return came

    def stop(self) -> None:
        """Have all put away what they have begun, and end."""
        for worker in self._workers:
            worker.process.terminate()
        self.close()

    def close(self) -> None:
        """Let those that wait for work end."""
        for worker in self._workers:
            worker.connection.close()
        for worker in self._workers:
            worker.process.join(PATIENCE_S)
            if worker.process.exitcode is None:  # stopped, or it hangs
                worker.process.kill()
                worker.process.join()
        self._workers.clear()


def _serve(connection: Connection, task: Task, takes: Sequence[Path], shares: Any) -> None:
    """Work on takes until the other end of the pipe is closed, by whoever started this process or by its end."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # the terminal's Ctrl-C; whoever started us tells us to stop
    threading.Thread(target=_end_with_parent, daemon=True).start()
    with suppress(EOFError, OSError):
        while True:
            index = connection.recv()
            answer = _worked_on(task, takes[index], shares, index)
            try:
                connection.send(answer)
            except OSError:
                return
            except Exception as error:  # it cannot be pickled
                connection.send(Fault(RuntimeError(f"{type(error).__name__}: {error}")))


def _end_with_parent() -> None:
    """Wait until the process that started this one has gone, and tell this one to end."""
    parent = parent_process()
    if parent is not None:
        parent.join()
        os.kill(os.getpid(), signal.SIGTERM)


def _worked_on(task: Task, take: Path, shares: Any, index: int) -> object:
    """Return what comes of a take. Told to end, this process puts away what it has begun and ends here."""

    def show(share: float) -> None:
        shares[index] = share

    with suppress(KeyboardInterrupt):
        signal.signal(signal.SIGTERM, interrupt)
        try:
            return task(take, show)
        except Exception as error:
            error.add_note("".join(traceback.format_exception(error)))
            return Fault(error)
        finally:
            if signal.getsignal(signal.SIGTERM) is interrupt:  # else we have been told, and are not to be disturbed
                signal.signal(signal.SIGTERM, signal.SIG_DFL)
    gc.collect()  # a folder whose removal was interrupted goes with its object
    os._exit(1)
