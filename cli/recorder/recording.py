"""The recorder as the console sees it: a folder and a process begun, looked after, and waited for at the end."""

import contextlib
import subprocess
import sys
import time
from collections.abc import Iterator, Sequence
from datetime import datetime
from importlib.metadata import version
from pathlib import Path
from typing import NamedTuple

from thumbline.cli.shared.processes import MODULE, last_line
from thumbline.dsp.errors import printable
from thumbline.dsp.files.growing_wav import Bits
from thumbline.dsp.kept.layout import make_kept_folder
from thumbline.dsp.memory.record_type import Record
from thumbline.dsp.rig.model import Rig

#: A recorder that died is followed by another one after so long; at the end it may write for so long, in seconds.
RETRY_S, END_S = 1.0, 20.0
#: What is lost is told this often at most, in nanoseconds.
QUIET_NS = 5_000_000_000


class Told(NamedTuple):
    """Something that the player should know."""

    text: str
    advice: str = ""
    fault: bool = True


def folder_named(name: Path) -> Path:
    """Return the folder of a recording: "gig.wav" is kept in the folder "gig", since it is more than one file."""
    return name.with_suffix("") if name.suffix.lower() == ".wav" else name


class Recording:
    """One evening's recorder. Raises InputError if the folder is not empty or cannot be made."""

    def __init__(
        self, memory: Path, name: Path, bits: Bits, settings: Sequence[tuple[str, Rig]], rate: int, inputs: int
    ) -> None:
        self.folder = folder_named(name).absolute()
        began = datetime.now().astimezone().isoformat(timespec="milliseconds")
        make_kept_folder(
            self.folder, settings, version=version("thumbline"), began=began, rate=rate, bits=bits, inputs=inputs
        )
        self._command = [sys.executable, *MODULE, "thumbline.cli.recorder", str(memory), str(self.folder), str(bits)]
        self._log = memory.with_name("recorder.log")
        self._process: subprocess.Popen[bytes] | None = None
        self._started_s = 0.0
        self._rate = rate
        self._fault = ""
        self._told_lost, self._told_ns = 0, 0

    def start(self) -> None:
        """Begin."""
        self._started_s = time.monotonic()
        with self._log.open("ab") as log:
            self._process = subprocess.Popen(
                self._command, stdin=subprocess.DEVNULL, stdout=log, stderr=log, start_new_session=True
            )

    @property
    def _has_ended(self) -> bool:
        return self._process is None or self._process.poll() is not None

    def look(self, live: Record) -> Iterator[Told]:
        """Yield what is new of a full disk, of lost sound, of a recorder that died; start that one again."""
        recorder = live.recorder
        if self._process is not None and self._has_ended and time.monotonic() - self._started_s > RETRY_S:
            yield Told("The recorder stopped", f"it is being started again {self._last_words()}".rstrip())
            self.start()
        fault = bytes(recorder.fault).decode(errors="replace")
        if fault != self._fault:
            self._fault = fault
            shown = printable(self.folder)
            if fault:
                yield Told(f"Nothing is being kept: {fault}", f"make room for {shown}; play goes on")
            else:
                yield Told(f"{shown} is being written again", fault=False)
        lost, now = int(recorder.lost), time.monotonic_ns()
        if lost > self._told_lost and now - self._told_ns > QUIET_NS:
            seconds = (lost - self._told_lost) / self._rate
            self._told_lost, self._told_ns = lost, now
            yield Told(f"{seconds:.1f} s were not kept", "the disk is too slow or full; silence stands in for them")

    def finish(self, live: Record) -> str:
        """Wait until all is written; return a line about what was kept."""
        until = time.monotonic() + END_S
        while not self._has_ended and time.monotonic() < until:
            time.sleep(0.02)
        if self._process is not None and not self._has_ended:
            self._process.kill()
            with contextlib.suppress(subprocess.TimeoutExpired):
                self._process.wait(1.5)
        seconds, lost = int(live.recorder.frames) / self._rate, int(live.recorder.lost) / self._rate
        text = f"{printable(self.folder)}: {seconds:.1f} s kept"
        if not live.recorder.ended:
            text += f", without the end {self._last_words() or '(the recorder did not finish)'}"
        if fault := bytes(live.recorder.fault).decode(errors="replace"):
            text += f", without the end: {fault}"
        return text + (f", {lost:.1f} s of it lost" if lost else "")

    def _last_words(self) -> str:
        """The last line that the process printed, in brackets."""
        line = last_line(self._log)
        return f"({printable(line)})" if line else ""
