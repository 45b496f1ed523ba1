"""The engine: the process that owns the audio stream and nothing else.

Started by the console as ``python -m thumbline.cli.engine MEMORY_FILE``. It prepares everything before the
stream opens, then only watches: sound passes in the native callback. It leaves when it is told to, when the console has
gone, at the end of a take, or with a fault when the device stops asking for sound; and it always leaves in time, for a
driver whose device has died may hang for ever when the stream is closed.

With the further arguments ``--stand-by FILE`` it stands by (``stand_by``): an engine that died is replaced at once.

Exit codes: 0 ended, 1 fault, 2 the setup cannot be used (``engine.fault`` and ``engine.advice`` say why).
"""

import importlib
import os
import signal
import sys
import threading
import time
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from thumbline.cli.engine.stand_by import stand_by
from thumbline.cli.shared.live_memory import ENDED, FAULT, PLAYING, READY, STARTING, attach, encoded, field_view
from thumbline.cli.shared.own_clock import OwnClock
from thumbline.cli.shared.processes import BELOW_SOUND, STAND_BY, ProcessHandle, raise_priority, raise_priority_of_all
from thumbline.dsp.errors import InputError
from thumbline.dsp.live.record import LIVE
from thumbline.dsp.memory.record_type import Record
from thumbline.dsp.memory.records import initial_state, keep_hum

if TYPE_CHECKING:
    from thumbline.cli.engine.null_stream import Stream

#: Time between looks at what goes on, in seconds.
LOOK_S = 0.01
#: No block for this long, and for this many blocks' time, means that the device has died, in seconds. A JACK server
#: stands still for half a second when a client of it dies, for another when two do, and then goes on.
SILENT_S, SILENT_BLOCKS = 1.2, 8
#: A device may take this long from its start to its first block, in seconds.
FIRST_BLOCK_S = 5.0
#: Looks that are further apart mean that this process itself was stopped, in seconds.
GAP_S = 0.1
#: The sound is given this long to fade, and the driver to close the stream, in seconds.
FADE_S, CLOSE_S = 0.06, 0.1
#: Without a parent to watch (Windows), a console that has been silent for so long has gone, in seconds.
CONSOLE_SILENT_S = 1.0
#: The memory is waited for so long, and looked for so often, in seconds.
MEMORY_S, MEMORY_LOOK_S = 60.0, 0.005
#: Blocks of noise that are played into a private record before the stream opens.
WARM_BLOCKS = 40
#: Real-time priority that is asked for, of 1 to 99 (POSIX), for the stream's thread where the sound system leaves it to
#: us.
PRIORITY = 60
#: Fields that are looked at all the while.
LOOKED_AT = ("request.stop", "engine.take_frames", "engine.block_at_ns", "engine.block_frames", "engine.blocks")
DEAD = "the audio device has stopped asking for sound"
DEAD_ADVICE = "Is it still plugged in and switched on? The engine is started again."


def main() -> None:
    """Run the engine for the memory file that the command line names."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # the terminal's Ctrl-C: the console decides what ends when
    live = _memory(Path(sys.argv[1]))
    parent = os.getppid()
    if STAND_BY in sys.argv[2:]:
        for module in "device_stream", "null_stream":
            importlib.import_module(f"thumbline.cli.engine.{module}")
        warm_up(live)
        if stand_by(Path(sys.argv[3])):
            parent = 0  # the engine outlives what it has split off
    engine = Engine(live, parent)
    signal.signal(signal.SIGTERM, lambda number, frame: engine.be_told())
    try:
        engine.run()
    except InputError as error:
        engine.fail(str(error), "", 2)
    except Exception as error:
        engine.fail(f"{type(error).__name__}: {error}", "This is a fault of the program.", 1)


def _memory(path: Path) -> Record:
    """Load all that takes long, then wait for the memory: the console may still be making it."""
    importlib.import_module("thumbline.cli.engine.callback")
    parent, until = os.getppid(), time.monotonic() + MEMORY_S
    while time.monotonic() < until and os.getppid() == parent:
        with suppress(OSError, InputError):
            live = attach(path)
            if live.setup.complete:
                return live
        time.sleep(MEMORY_LOOK_S)
    sys.exit(f"no memory came at {path}")


class Engine:
    """One run of the engine on a live record. It also ends with the process numbered ``parent``, if there is one."""

    def __init__(self, live: Record, parent: int = 0) -> None:
        self._live = live
        self._parent, self._console = parent, ProcessHandle(0)
        self._console_pid, self._console_beat_ns = field_view(live, "console.pid"), field_view(live, "console.beat_ns")
        self._told = False
        self._stream: Stream | None = None
        started = time.monotonic_ns()
        _begin_anew(live)
        live.engine.started_ns = started
        live.engine.pid = os.getpid()

    def be_told(self) -> None:
        """End soon: the answer to a signal."""
        self._told = True

    def run(self) -> None:
        """Open the stream, play, and leave the process."""
        engine = self._live.engine
        warm_up(self._live)
        self._stream = stream = self._open()
        engine.rate = stream.rate
        engine.input_latency_s, engine.output_latency_s = stream.input_latency_s, stream.output_latency_s
        engine.phase = READY
        raise_priority(PRIORITY, children=True)  # the stream's thread
        stream.start()
        raise_priority(BELOW_SOUND, children=True)
        raise_priority_of_all(BELOW_SOUND)
        engine.phase = PLAYING
        started, clock, now = (
            time.monotonic_ns(),
            OwnClock(GAP_S),
            {path: field_view(self._live, path) for path in LOOKED_AT},
        )
        while True:
            time.sleep(LOOK_S)
            clock.look()
            if self._told or now["request.stop"][0] or self._console_is_gone():
                self._fade()
                self._leave(0)
            if stream.ended:
                if now["engine.take_frames"][0]:
                    self._leave(0)
                self.fail(DEAD, DEAD_ADVICE, 1)
            last = now["engine.block_at_ns"][0] or started
            allowed = max(SILENT_S, SILENT_BLOCKS * now["engine.block_frames"][0] / stream.rate)
            if not now["engine.blocks"][0]:
                allowed = FIRST_BLOCK_S
            if clock.silent_ns(last) > 1e9 * allowed:
                self.fail(DEAD, DEAD_ADVICE, 1)

    def fail(self, fault: str, advice: str, code: int) -> None:
        """Say what is wrong and leave the process."""
        engine = self._live.engine
        engine.fault, engine.advice = encoded(fault, 512), encoded(advice, 512)
        self._leave(code, FAULT)

    def _open(self) -> "Stream":
        raise_priority(BELOW_SOUND, children=True)
        if bytes(self._live.setup.take_path):
            from thumbline.cli.engine.null_stream import NullStream

            return NullStream(self._live)
        from thumbline.cli.engine.device_stream import DeviceStream

        return DeviceStream(self._live)

    def _console_is_gone(self) -> bool:
        pid, beat_ns = self._console_pid[0], self._console_beat_ns[0]
        if not pid:
            return False  # nobody has said that there is one
        if pid != self._console.pid:
            self._console.close()
            self._console = ProcessHandle(pid)
        if os.name == "posix":  # the first cannot tell if it has gone before this engine began
            return self._console.ended or (self._parent > 0 and os.getppid() != self._parent)
        return time.monotonic_ns() - beat_ns > 1e9 * CONSOLE_SILENT_S

    def _fade(self) -> None:
        """Let the callback ramp the outputs down, if it still runs."""
        self._live.request.sound_on = 0
        until = time.monotonic() + FADE_S
        while float(self._live.engine.sound) > 0.0 and time.monotonic() < until:
            time.sleep(0.002)

    def _leave(self, code: int, phase: int = ENDED) -> None:
        """Leave the process within ``CLOSE_S``, whatever the driver does."""
        self._live.engine.phase = phase
        guard = threading.Timer(CLOSE_S, os._exit, (code,))
        guard.daemon = True
        guard.start()
        if self._stream is not None:
            with suppress(Exception):
                self._stream.close()
        os._exit(code)


def _begin_anew(live: Record) -> None:
    """Put the record's engine part and state as at the start; the event ring, its count and the hum learned go on."""
    setting = int(live.request.setting)
    if not 0 <= setting < int(live.setting_count):
        setting = 0
    written = int(live.state.events_written)
    ring = np.array(live.state.events)
    state = initial_state(live.params[setting : setting + 1])[0]
    keep_hum(live.state, state)
    live.state = state
    live.state.events = ring
    live.state.events_written = written
    live.engine = np.zeros(1, live.engine.dtype)[0]
    live.engine.phase = STARTING
    live.engine.setting = setting
    live.engine.rate = live.setup.rate
    live.engine.block_frames = live.setup.block_frames
    live.engine.events = written
    live.engine.output_limiter = 1.0
    live.engine.take_from = -1


def warm_up(live: Record) -> None:
    """Load the compiled callback and run it on a private copy, so that the first block is no slower than the next.

    The shared pages have been written by now, so they are in memory too.
    """
    from thumbline.cli.engine.callback import call

    private = np.zeros(1, LIVE)
    copy = private[0]
    for name in ("setup", "request", "setting_count", "params"):  # an engine may be writing to the rest
        setattr(copy, name, getattr(live, name))
    copy.state = initial_state(copy.params[:1])[0]
    if live.tape.length:
        np.asarray(live.tape["samples"])[::1024].sum()  # maps the pages that the callback will write to
    copy.request.sound_on, copy.request.setting, copy.engine.rate = 1, 0, live.setup.rate
    frames = max(int(live.setup.block_frames), 1)
    noise = np.random.default_rng(1).standard_normal((frames, int(live.setup.inputs))).astype(np.float32)
    out = np.zeros((frames, int(live.setup.outputs)), np.float32)
    for _ in range(WARM_BLOCKS):
        call(copy, 0.1 * noise, out)
