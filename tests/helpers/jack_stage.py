"""A stage for tests: a guitar that plays a take over and over, a room, and a sound module, all JACK clients."""

import gc
import json
import os
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from types import TracebackType
from typing import Any, Self

import numpy as np
import pytest
from numpy.typing import NDArray

from tests.helpers.jack_server import JackServer
from tests.helpers.places import ROOT
from thumbline.dsp.rig.model import Rig

jack = pytest.importorskip("jack", reason="needs JACK-Client and libjack")

#: How long clients may take to leave a server, in seconds.
LONGEST_CLOSE_S = 5.0
#: Before a client is closed its callback does nothing for so long: JACK ends its thread wherever that is, and if it has
#: the interpreter's lock, the whole process stands still.
REST_S = 0.02

FIRST = Rig().mutes.modules[0].controllers[0]

RIG = """\
[live]
input = "guitar"
output = "room"
[midi]
port = "module:in"
resend_s = 0.0
"""


class Module:
    """A sound module: a MIDI input that notes each control change with the server's frame and the clock."""

    def __init__(self, server_name: str, strings: int = 6):
        self.messages: list[tuple[int, float, int, int]] = []  # frame, monotonic seconds, string, value
        self._strings = strings
        self._closing = False
        self._client = jack.Client("module", no_start_server=True, servername=server_name)
        self._port: Any = self._client.midi_inports.register("in")
        self._client.set_process_callback(self._process)
        self._client.activate()

    def _process(self, frames: int) -> None:
        if self._closing:
            return
        start, now = self._client.last_frame_time, time.monotonic()
        for offset, data in self._port.incoming_midi_events():
            status, controller, value = (byte[0] for byte in data)
            assert status == 0xB0
            self.messages.append((start + offset, now, controller - FIRST + 1, value))

    def opened_at(self, after_s: float) -> float | None:
        """When, at or after ``after_s`` on the clock, every string was first open; None if that has not happened."""
        values = dict.fromkeys(range(1, self._strings + 1), 0)
        messages = list(self.messages)
        for _, at, string, value in messages:
            if at >= after_s and not any(values.values()):
                return after_s  # it was so already
            values[string] = value
            if at >= after_s and not any(values.values()):
                return at
        return None if any(values.values()) else after_s

    @property
    def muted(self) -> set[int]:
        """Strings whose mute was last said to be closed."""
        values = {string: value for _, _, string, value in list(self.messages)}
        return {string for string, value in values.items() if value}

    def close(self) -> None:
        """Vanish."""
        self._closing = True
        time.sleep(REST_S)
        self._client.deactivate()
        self._client.close()


class Stage:
    """Guitar, room and module; a context manager. ``take`` has shape (frames, strings)."""

    def __init__(self, server_name: str, take: NDArray[np.float64], folder: Path):
        self._take = np.ascontiguousarray(take.T, np.float32)
        self._at = -1
        self._closing = False
        self.begun_frame = -1  #: the server's frame at which the take began; -1 before
        self.go = False
        self._guitar = jack.Client("guitar", no_start_server=True, servername=server_name)
        self._room = jack.Client("room", no_start_server=True, servername=server_name)
        self._outs: list[Any] = [self._guitar.outports.register(f"s{n + 1}") for n in range(take.shape[1])]
        self._ins = [self._room.inports.register(f"o{n + 1}") for n in range(2)]
        self._guitar.set_process_callback(self._play)
        self.module = Module(server_name)
        self.rig = folder / "stage.toml"
        self.rig.write_text(RIG)
        self._guitar.activate()
        self._room.activate()

    def _play(self, frames: int) -> None:
        if self._closing:
            return
        now = self._guitar.last_frame_time
        if self.go and self.begun_frame < 0:
            self.begun_frame = now
        self._at = now - self.begun_frame if self.begun_frame >= 0 else -1  # what the server skips is skipped
        places = np.arange(self._at, self._at + frames) % self.length
        for port, sound in zip(self._outs, self._take, strict=True):
            port.get_array()[:] = sound[places] if self._at >= 0 else 0.0

    @property
    def played(self) -> int:
        """Frames of the take that have been played, all rounds counted."""
        return max(self._at, 0)

    @property
    def length(self) -> int:
        """Frames of the take."""
        return self._take.shape[1]

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        # A server that stalls may never let go of a client; the test goes on without it.
        closing = threading.Thread(target=self._close, daemon=True)
        closing.start()
        closing.join(LONGEST_CLOSE_S)

    def _close(self) -> None:
        self._closing = True
        time.sleep(REST_S)
        for client in (self._guitar, self._room):
            client.deactivate()
            client.close()
        self.module.close()


class StageApart:
    """A stage in a process of its own, which may come to grief with the server, and is not held up by the test."""

    def __init__(self, server: JackServer, take: Path, folder: Path):
        self.rig = folder / "stage.toml"  #: settings that fit the stage
        code = "import sys; from tests.helpers.jack_stage import stand; stand(*sys.argv[1:])"
        self._process = subprocess.Popen(
            [sys.executable, "-c", code, server.name, str(take), str(folder)],
            env=os.environ | server.environment,
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            cwd=ROOT,
        )
        assert self._process.stdout is not None
        assert self._process.stdout.readline() == b"ready\n"

    def finish(self) -> tuple[int, list[tuple[int, float, int, int]]]:
        """End it; returns the frame at which the take began, and what the module has heard, as ``Module.messages``."""
        out, _ = self._process.communicate(timeout=10.0)
        begun, *messages = json.loads(out)
        return begun, [(frame, at, string, value) for frame, at, string, value in messages]

    def close(self) -> None:
        """End it, in order if that can be: a server with a client that was killed takes seconds to end."""
        if self._process.poll() is None:
            try:
                self._process.communicate(timeout=1.5)
            except subprocess.TimeoutExpired:
                self._process.kill()
                self._process.communicate()


@contextmanager
def stage_apart(server: JackServer, take: Path, folder: Path) -> Iterator[StageApart]:
    """Run a stage in a process of its own."""
    stage = StageApart(server, take, folder)
    try:
        yield stage
    finally:
        stage.close()


def stand(server_name: str, take: str, folder: str) -> None:
    """Play the take over and over until standard input ends; then print what :meth:`StageApart.finish` returns."""
    import soundfile

    samples: Any = soundfile.read(take)[0]
    stage = Stage(server_name, samples, Path(folder))
    gc.freeze()  # a synchronous server, and all its clients with it, would wait for a collection of all that was loaded
    stage.go = True
    print("ready", flush=True)
    sys.stdin.read()
    print(json.dumps([stage.begun_frame, *stage.module.messages]), flush=True)
    stage.__exit__(None, None, None)
