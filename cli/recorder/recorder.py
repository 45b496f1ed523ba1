"""The recorder: empties the tape into files, from a process of its own at the lowest priority.

It only reads what the others write, so however slow or full the disk is, and however it dies, nobody waits for it. What
it cannot write in time is lost, counted, told, and silence stands in for it, so that times stay right. A recorder that
died is followed by another one, which goes on where the files end.
"""

import os
import signal
import time
from contextlib import suppress
from pathlib import Path

import numpy as np

from thumbline.cli.recorder.tables import REQUESTS, Clock, GrowingTable, Row, asked_rows, control_row, event_row
from thumbline.cli.shared.live_memory import ENDED, FAULT, attach, encoded, field_view, setting_names
from thumbline.cli.shared.processes import ProcessHandle
from thumbline.dsp.files.growing_wav import Bits, GrowingWav
from thumbline.dsp.kept.layout import BASS, CONTROL_COLUMNS, CONTROLS, EVENT_COLUMNS, EVENTS, GUITAR, STRINGS
from thumbline.dsp.live.tape import take_frames, take_marks
from thumbline.dsp.memory.events import take_events
from thumbline.dsp.memory.record_type import Record
from thumbline.dsp.memory.records import OUTPUTS

#: Looks at mutes and wishes, and writes, in seconds.
LOOK_S, WRITE_S = 0.01, 0.25
#: The disk itself is waited for so often, and one that failed is tried again so soon, in seconds.
SYNC_S, RETRY_S = 1.0, 0.5
#: Frames written at a time.
MOST = 1 << 15
#: An engine that has begun no block for so long has ended, whatever it says, in seconds.
SILENT_S = 2.0
#: Added to the process's niceness (POSIX).
NICENESS = 10


def main(memory: Path) -> int:
    """Keep what the memory's engine plays, in the folder that the command line names."""
    import sys

    for number in (signal.SIGINT, signal.SIGTERM, getattr(signal, "SIGHUP", signal.SIGTERM)):
        signal.signal(number, signal.SIG_IGN)  # it ends when the sound does: then all is written
    if hasattr(signal, "SIGXFSZ"):
        signal.signal(signal.SIGXFSZ, signal.SIG_IGN)  # a file that may not grow is an error like others
    if hasattr(os, "nice"):
        os.nice(NICENESS)
    live = attach(memory)
    bits: Bits = 24 if "24" in sys.argv[3:] else 32
    Recorder(live, Path(sys.argv[2]), bits).run()
    return 0


class Recorder:
    """One run of the recorder on a live record."""

    def __init__(self, live: Record, folder: Path, bits: Bits = 32) -> None:
        self._live, self._own, self._tape = live, live.recorder, live.tape
        self._inputs = int(live.tape.columns) - OUTPUTS
        rate = int(live.setup.rate)
        frames = int(self._own.frames) if (folder / STRINGS).exists() else None
        channels = {STRINGS: self._inputs, BASS: 1, GUITAR: OUTPUTS - 1}
        self._sounds = [GrowingWav(folder / name, rate, count, bits, frames) for name, count in channels.items()]
        self._events = GrowingTable(folder / EVENTS, EVENT_COLUMNS, int(self._own.table_bytes))
        self._controls = GrowingTable(folder / CONTROLS, CONTROL_COLUMNS, int(self._own.controls_bytes))
        self._tell()
        self._clock = Clock(rate)
        self._clock.set(int(live.tape.written))
        self._rows: list[Row] = []
        self._written = field_view(live, "tape.written")
        self._closed = field_view(live, "keeper.closed")
        self._muted: list[int] = [0] * len(self._closed)
        self._wishes = {
            name: field_view(live, f"request.{name}") for name in REQUESTS if name in live.request.dtype.names
        }
        self._asked: dict[str, float] = {}
        self._feet = field_view(live, "keeper.foot_count")
        self._pressed = int(self._feet[0])
        self._names = setting_names(live)
        self._engine, self._console = ProcessHandle(0), ProcessHandle(int(live.console.pid))
        self._own.pid = os.getpid()

    def run(self) -> None:
        """Keep everything until the sound has ended."""
        write_s = sync_s = time.monotonic()
        while True:
            over = self._is_over()  # before the last look: what comes after it is nothing
            self.look()
            now = time.monotonic()
            if now >= write_s or over:
                more = self.write()
                write_s = now + (0.0 if more else WRITE_S if not self._own.fault else RETRY_S)
                if now - sync_s > SYNC_S or over:
                    self._sync()
                    sync_s = time.monotonic()
                if over and (not more or self._own.fault):
                    break
            self._own.beat_ns = time.monotonic_ns()
            if not over:
                time.sleep(LOOK_S)
        self.close()
        self._own.ended = 1

    def close(self) -> None:
        """Close the files."""
        for file in (*self._sounds, self._events, self._controls):
            file.close()

    def look(self) -> None:
        """Note what has changed of mutes, wishes and switches, which leave no events."""
        if (at := int(self._written[0])) == 0:
            return
        for s, closed in enumerate(self._closed):
            if closed != self._muted[s]:
                self._muted[s] = closed
                self._rows.append(self._clock.row(at, "mute" if closed else "unmute", s + 1))
        for name, field in self._wishes.items():
            value = float(field[0])
            before = self._asked.setdefault(name, value)
            if value != before:
                self._asked[name] = value
                self._rows.append(self._clock.row(at, REQUESTS[name], "", f"{value:g}"))
        if (count := int(self._feet[0])) != self._pressed:
            self._pressed = count
            said = bytes(self._live.keeper.foot_last).hex(" ")
            self._rows.append(self._clock.row(at, "foot", "", said))

    def write(self) -> bool:
        """Write what is on the tape; whether there is more. What cannot be written is tried again, or lost."""
        done, rows = int(self._own.frames), list(self._rows)
        try:
            frames, first = take_frames(self._tape, done, MOST)
            lost = first - done
            for sound, columns in zip(self._sounds, self._columns(frames), strict=True):
                if lost:
                    sound.skip(lost)
                sound.write(columns)
            if lost:
                self._rows.append(self._clock.row(done, "lost", "", lost))
            self._write_tables()
        except OSError as error:
            self._rows = rows
            self._back_to(done)
            self._own.fault = encoded(error.strerror or str(error), 512)
            return False
        self._own.lost = int(self._own.lost) + lost
        self._tell()
        self._own.fault = b""
        return len(frames) == MOST

    def _back_to(self, frames: int) -> None:
        """Cut off what was written only in part."""
        for sound in self._sounds:
            with suppress(OSError):
                sound.back_to(frames)
        for table, size in ((self._events, self._own.table_bytes), (self._controls, self._own.controls_bytes)):
            with suppress(OSError):
                table.back_to(int(size))

    def _columns(self, frames: np.ndarray) -> tuple[np.ndarray, ...]:
        inputs = frames[:, : self._inputs]
        if not np.isfinite(inputs).all():  # the processor takes it for silence, too
            inputs = np.nan_to_num(inputs, nan=0.0, posinf=0.0, neginf=0.0)
        return inputs, frames[:, [self._inputs]], frames[:, self._inputs + 1 :]

    def _write_tables(self) -> None:
        """Write marks, events and what was looked at, as far as they are new."""
        marks, marked = take_marks(self._tape, int(self._own.marks_read))
        events, read = take_events(self._live.state, int(self._own.events_read))
        rows, offset = self._rows, int(self._own.offset)
        begun = [(int(mark["events"]), int(mark["frame"])) for mark in marks if mark["anew"]]
        first = read - len(events)
        if first > (wanted := int(self._own.events_read)):
            rows.append(self._clock.row(int(self._tape.written), "lost rows", "", first - wanted))
        for number, event in enumerate(events.tolist(), first):
            while begun and begun[0][0] <= number:
                offset = begun.pop(0)[1]
            if (row := event_row(event, offset, self._clock)) is not None:
                rows.append(row)
        known = marked - len(marks)
        before = take_marks(self._tape, known - 1)[0][0] if known > 0 else None
        for mark in marks:
            if mark["anew"]:
                self._clock.set(int(self._tape.written))
            rows += asked_rows(mark, before, self._names, self._clock)
            before = mark
        offset = begun[-1][1] if begun else offset
        self._controls.write(map(control_row, marks))
        self._events.write(sorted(rows, key=lambda row: float(str(row[0]))))
        self._rows = []
        self._own.marks_read, self._own.events_read, self._own.offset = marked, read, offset

    def _tell(self) -> None:
        """Say how far the files go, sound and tables together."""
        self._own.table_bytes, self._own.controls_bytes = self._events.size, self._controls.size
        self._own.frames = self._sounds[0].frames

    def _sync(self) -> None:
        with suppress(OSError):  # said when it is written
            for sound in self._sounds:
                sound.sync()

    def _is_over(self) -> bool:
        engine, now = self._live.engine, time.monotonic_ns()
        if not (self._live.request.stop or self._console.ended):
            return False
        if int(engine.pid) != self._engine.pid:
            self._engine.close()
            self._engine = ProcessHandle(int(engine.pid))
        silent = now - int(engine.block_at_ns) > 1e9 * SILENT_S
        return int(engine.phase) in (ENDED, FAULT) or self._engine.ended or silent
