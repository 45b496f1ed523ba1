"""The recorder as the console sees it: a folder and a process begun, looked after, and waited for at the end."""

import time
from collections.abc import Iterator, Sequence
from datetime import datetime
from importlib.metadata import version
from pathlib import Path

from thumbline.cli.console.child_processes import Child
from thumbline.cli.console.notices import QUIET_NS, Notice
from thumbline.dsp.errors import printable
from thumbline.dsp.files.growing_wav import Bits
from thumbline.dsp.kept.layout import make_kept_folder
from thumbline.dsp.memory.record_type import Record
from thumbline.dsp.rig.model import Rig

#: A recorder that died is followed by another one after so long; at the end it may write for so long, in seconds.
RETRY_S, END_S = 1.0, 20.0


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
        self._child = Child("thumbline.cli.recorder", memory, str(self.folder), str(bits))
        self._rate = rate
        self._fault = ""
        self._told_lost, self._told_ns = 0, 0

    def start(self) -> None:
        """Begin."""
        self._child.start()

    def look(self, live: Record) -> Iterator[Notice]:
        """Yield what is new of a full disk, of lost sound, of a recorder that died; start that one again."""
        recorder = live.recorder
        if self._child.code is not None and time.monotonic_ns() - self._child.started_ns > 1e9 * RETRY_S:
            words = self._child.last_words()
            yield Notice("recorder", "The recorder stopped", f"it is being started again ({words})")
            self._child.start()
        fault = bytes(recorder.fault).decode(errors="replace")
        if fault != self._fault:
            self._fault = fault
            shown = printable(self.folder)
            if fault:
                yield Notice("recorder", f"Nothing is being kept: {fault}", f"make room for {shown}; play goes on")
            else:
                yield Notice("recorder", f"{shown} is being written again", fault=False)
        lost, now = int(recorder.lost), time.monotonic_ns()
        if lost > self._told_lost and now - self._told_ns > QUIET_NS:
            seconds = (lost - self._told_lost) / self._rate
            self._told_lost, self._told_ns = lost, now
            yield Notice(
                "recorder", f"{seconds:.1f} s were not kept", "the disk is too slow or full; silence stands in for them"
            )

    def finish(self, live: Record) -> str:
        """Wait until all is written; return a line about what was kept."""
        until = time.monotonic() + END_S
        while self._child.code is None and time.monotonic() < until:
            time.sleep(0.02)
        self._child.kill()
        seconds, lost = int(live.recorder.frames) / self._rate, int(live.recorder.lost) / self._rate
        text = f"{printable(self.folder)}: {seconds:.1f} s kept"
        if not live.recorder.ended:
            text += f", without the end ({self._child.last_words() or 'the recorder did not finish'})"
        if fault := bytes(live.recorder.fault).decode(errors="replace"):
            text += f", without the end: {fault}"
        return text + (f", {lost:.1f} s of it lost" if lost else "")
