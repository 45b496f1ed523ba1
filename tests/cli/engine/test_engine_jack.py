"""The engine on a real sound system: PortAudio over a private JACK server, fed and recorded by two of its clients."""

import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile

from tests.helpers.jack_server import JackServer, jack_server
from tests.helpers.live_process import wait_until
from tests.helpers.places import DEMO
from thumbline.cli.console.make_memory import create
from thumbline.cli.console.routing import make_routing
from thumbline.cli.shared.live_memory import FAULT, PLAYING
from thumbline.dsp.memory.record_type import Record
from thumbline.dsp.memory.records import BASS, LEFT
from thumbline.dsp.processor.processor import Processor
from thumbline.dsp.rig.model import Rig

pytestmark = pytest.mark.real_time

jack = pytest.importorskip("jack", reason="needs JACK-Client and libjack")

RATE, BLOCK = 48_000, 64
#: Once sound passes, holds the interpreter's lock for a fifth of a second at a time, then lets go for a moment.
HOLDING = """
import ctypes, sys, threading, time
from pathlib import Path
from thumbline.cli.shared.live_memory import attach
def hold():
    lock_holder = ctypes.PyDLL(None)
    live = attach(Path(sys.argv[1]))
    while not live.engine.sound == 1.0:
        time.sleep(0.01)
    while True:
        lock_holder.usleep(200_000)
        time.sleep(0.005)
threading.Thread(target=hold, daemon=True).start()
from thumbline.cli.engine import engine
engine.main()
"""


class Feed:
    """Plays silence, then ``frames`` once; records what comes back. Both by a JACK client each."""

    def __init__(self, server: JackServer, frames: np.ndarray, live: Record) -> None:
        self._frames = np.ascontiguousarray(frames.T, np.float32)
        self._live = live
        self._at = -1
        self.go = False
        self.engine_frames = 0  # served by the engine when the first block of ``frames`` was played
        self.recorded: list[np.ndarray] = []
        self.record_from = 0
        self.player = jack.Client("guitar", no_start_server=True, servername=server.name)
        self.recorder = jack.Client("room", no_start_server=True, servername=server.name)
        self._outs = [self.player.outports.register(f"string {n + 1}") for n in range(frames.shape[1])]
        self._ins = [self.recorder.inports.register(f"out {n + 1}") for n in range(2)]
        self.player.set_process_callback(self._play)
        self.recorder.set_process_callback(self._record)

    @property
    def done(self) -> bool:
        return self._at >= self._frames.shape[1]

    def _play(self, n: int) -> None:
        if self.go and self._at < 0:
            self._at = 0
            self.engine_frames = int(self._live.engine.frames)
            self.record_from = len(self.recorded)
        part = self._frames[:, self._at : self._at + n] if self._at >= 0 else self._frames[:, :0]
        for port, sound in zip(self._outs, part, strict=True):
            buffer = port.get_array()
            buffer[:] = 0.0
            buffer[: len(sound)] = sound
        if self._at >= 0:
            self._at += n

    def _record(self, n: int) -> None:
        self.recorded.append(np.stack([port.get_array().copy() for port in self._ins], axis=1))

    def close(self) -> None:
        for client in (self.player, self.recorder):
            client.deactivate()
            client.close()


@contextmanager
def playing(
    folder: Path,
    server: JackServer,
    frames: np.ndarray,
    program: tuple[str, ...] = ("-m", "thumbline.cli.engine"),
    settings: Sequence[tuple[str, Rig]] = (("song", Rig()),),
) -> Iterator[tuple[Record, Feed, "subprocess.Popen[str]"]]:
    """Run an engine between a feed's two clients, with the sound on."""
    live = create(
        folder / "memory",
        settings,
        rate=RATE,
        block_frames=BLOCK,
        routing=make_routing([1], [2]),
        input_device="guitar",
        output_device="room",
    )
    feed = Feed(server, frames, live)
    feed.player.activate()
    feed.recorder.activate()
    engine = subprocess.Popen(
        [sys.executable, *program, str(folder / "memory")],
        env=os.environ | server.environment,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.PIPE,
        text=True,
    )
    try:
        live.request.sound_on = 1
        reach(lambda: live.engine.sound == 1.0 or live.engine.phase == FAULT, 60.0)
        assert live.engine.phase == PLAYING, bytes(live.engine.fault).decode()
        yield live, feed, engine
    finally:
        live.request.stop = 1
        try:
            engine.wait(5.0)
        finally:
            engine.kill()
            engine.communicate()
            if server.process.poll() is None:
                feed.close()


def reach(condition: Callable[[], Any], seconds: float) -> None:
    until = time.monotonic() + seconds
    while not condition():
        assert time.monotonic() < until, "not reached in time"
        time.sleep(0.01)


@pytest.fixture(scope="module")
def demo() -> np.ndarray:
    return soundfile.read(DEMO, frames=2 * RATE, dtype="float32")[0]


def test_live_gives_the_samples_that_render_gives(tmp_path: Path, demo: np.ndarray) -> None:
    with (
        jack_server(tmp_path, period=BLOCK, synchronous=True) as server,
        playing(tmp_path, server, demo) as (live, feed, engine),
    ):
        feed.go = True
        reach(lambda: feed.done, 60.0)
        time.sleep(0.1)
        blocks, before = list(feed.recorded), feed.record_from
        silence = feed.engine_frames
        live.request.stop = 1
        assert engine.wait(5.0) == 0
    assert heard_as_rendered(np.concatenate(blocks)[before * BLOCK :], demo, silence, [BASS, LEFT])


def heard_as_rendered(heard: np.ndarray, frames: np.ndarray, silence: int, columns: list[int]) -> bool:
    """Whether what came back is what render makes of ``frames`` after ``silence``, to the sample."""
    matches = []
    for late in (0, BLOCK):  # PortAudio may hand each block on one period later, in and out
        played = np.concatenate([np.zeros((silence + late, 6)), frames])
        rendered = Processor(Rig(), RATE).process(played)[0][silence + late :, columns].astype(np.float32)
        assert np.abs(rendered).max() > 0.1
        for delay in (0, BLOCK, 2 * BLOCK):
            part = heard[delay : delay + len(rendered)]
            matches.append(np.array_equal(part, rendered[: len(part)]) and len(part) > len(rendered) - 3 * BLOCK)
    return any(matches)


def test_settings_that_are_switched_all_the_while_lose_no_block(tmp_path: Path, demo: np.ndarray) -> None:
    """They differ in the bass alone, so each sample of the guitar must come out as if nothing had been switched."""
    basses = [{}, {"voice": "synth"}, {"interval": -7, "level_db": -9.0}, {"tone_hz": 300.0, "dynamics": 0.3}]
    settings = [(f"song {number}", Rig.model_validate({"bass": bass})) for number, bass in enumerate(basses)]
    switches = 0
    with (
        jack_server(tmp_path, period=BLOCK, synchronous=True) as server,
        playing(tmp_path, server, demo, settings=settings) as (live, feed, engine),
    ):
        feed.go = True
        until = time.monotonic() + 60.0
        while not feed.done and time.monotonic() < until:
            if live.engine.setting == live.request.setting:
                live.request.setting = (int(live.request.setting) + 1) % len(settings)
                switches += 1
            time.sleep(0.003)
        assert feed.done
        time.sleep(0.1)
        blocks, before = list(feed.recorded), feed.record_from
        silence = feed.engine_frames
        live.request.stop = 1
        assert engine.wait(5.0) == 0
    heard = np.concatenate(blocks)[before * BLOCK :]
    assert switches > 100
    assert heard_as_rendered(heard[:, 1:], demo, silence, [LEFT])
    assert not heard_as_rendered(heard[:, :1], demo, silence, [BASS])


def test_a_thread_that_holds_the_interpreter_lock_costs_no_block(tmp_path: Path, demo: np.ndarray) -> None:
    with (
        jack_server(tmp_path, period=BLOCK) as server,
        playing(tmp_path, server, demo, ("-c", HOLDING)) as (live, feed, _),
    ):
        feed.go = True
        blocks, late, begun = int(live.engine.blocks), int(live.engine.late), time.monotonic()
        time.sleep(2.0)
        late = int(live.engine.late) - late
        served = (int(live.engine.blocks) - blocks) * BLOCK / RATE
        passed = time.monotonic() - begun
    # Were the lock needed for a block, only the moments between two holds would be served: a fortieth. The rest of the
    # bound is for a busy machine, on which the server itself, without real-time priority, comes late.
    assert served > 0.5 * passed
    assert late * BLOCK / RATE < 0.02 * passed, "a block that waits for the lock takes a fifth of a second"


def test_a_server_that_stands_still_is_waited_for_and_one_that_dies_ends_the_engine_in_time(
    tmp_path: Path, demo: np.ndarray
) -> None:
    """A JACK server that waits for a dead client calls nobody for half a second (jackd(1), --timeout)."""
    with jack_server(tmp_path, period=BLOCK) as server, playing(tmp_path, server, demo) as (live, _, engine):
        server.process.send_signal(signal.SIGSTOP)
        time.sleep(0.6)
        server.process.send_signal(signal.SIGCONT)
        blocks = int(live.engine.blocks)
        wait_until(lambda: live.engine.blocks > blocks + 10, "sound of the same engine", 5.0)
        assert engine.poll() is None
        server.process.kill()
        server.process.wait(5.0)
        assert engine.wait(2.0) == 1
        assert live.engine.phase == FAULT
        assert b"stopped" in bytes(live.engine.fault)
