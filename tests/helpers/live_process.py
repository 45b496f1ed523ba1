"""`thumbline live` as a process of its own, its JSON events as they come, and a view into its memory."""

import json
import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any, Self

from thumbline.cli.shared.live_memory import attach
from thumbline.dsp.memory.record_type import Record

#: Nothing that a test waits for takes longer than this, in seconds, on a slow machine that compiles.
PATIENCE_S = 120.0


def wait_until(done: Callable[[], Any], what: str, seconds: float = PATIENCE_S) -> float:
    """Wait for something; returns the seconds it took, and fails with ``what`` if it never came."""
    begun = time.monotonic()
    while not done():
        assert time.monotonic() - begun < seconds, f"waited {seconds:.0f} s in vain for {what}"
        time.sleep(0.001)
    return time.monotonic() - begun


def alive(pid: int) -> bool:
    """Whether a process runs; one that has ended but was not collected does not."""
    try:
        return Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()[0] != "Z"
    except OSError:
        return False


class LiveProcess:
    """Runs ``thumbline live --json`` by way of ``under``, with the sound on unless ``sound`` is false.

    A context manager that leaves nothing running.
    """

    def __init__(
        self,
        *arguments: str | Path,
        environment: Mapping[str, str] | None = None,
        sound: bool = True,
        under: Sequence[str] = (),
    ):
        command = [*under, sys.executable, "-m", "thumbline.cli", "live", "--json", *map(str, arguments)]
        command += ["--sound"] if sound else []
        self.process = subprocess.Popen(
            command,
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
            env=None if environment is None else {**os.environ, **environment},
            start_new_session=True,
        )
        self.events: list[dict[str, Any]] = []
        self._err: list[str] = []
        self._record: Record | None = None
        self._readers = [threading.Thread(target=read, daemon=True) for read in (self._read_events, self._read_err)]
        for reader in self._readers:
            reader.start()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *error: object) -> None:
        pids = [] if self._record is None else [int(self._record.engine.pid), int(self._record.keeper.pid)]
        for pid in pids:
            if alive(pid):
                os.kill(pid, signal.SIGCONT)
        if self.process.poll() is None:
            self.process.terminate()
            try:
                self.process.wait(10.0)
            except subprocess.TimeoutExpired:
                self.process.kill()
                self.process.wait()
        for reader in self._readers:
            reader.join(5.0)
        for stream in (self.process.stdout, self.process.stderr):
            if stream is not None:
                stream.close()

    def _read_events(self) -> None:
        assert self.process.stdout is not None
        for line in self.process.stdout:
            self.events.append(json.loads(line) | {"seen_s": time.monotonic()})

    def _read_err(self) -> None:
        assert self.process.stderr is not None
        self._err.extend(self.process.stderr)

    @property
    def err(self) -> str:
        """What went to standard error so far."""
        return "".join(self._err)

    @property
    def memory(self) -> Path:
        """The file of the memory that the processes share."""
        return Path(self.wait_for("start")["memory"])

    @property
    def record(self) -> Record:
        """The memory that the processes share."""
        if self._record is None:
            self._record = attach(self.memory)
        return self._record

    def of_kind(self, event: str) -> list[dict[str, Any]]:
        """The events of one kind so far."""
        return [each for each in list(self.events) if each["event"] == event]

    def wait_for(self, event: str, count: int = 1) -> dict[str, Any]:
        """Wait for an event, or for that many of a kind, and return the last."""

        def come() -> bool:
            ended = self.process.poll() is not None
            assert not (ended and len(self.of_kind(event)) < count and not self._readers[0].is_alive()), (
                f"live ended with {self.process.returncode} before {event!r}: {self.err}"
            )
            return len(self.of_kind(event)) >= count

        wait_until(come, f"event {event!r}")
        return self.of_kind(event)[count - 1]

    def wait(self) -> int:
        """Wait for the end; returns the exit code."""
        code = self.process.wait(PATIENCE_S)
        for reader in self._readers:
            reader.join(5.0)
        return code
