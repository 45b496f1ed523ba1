"""The engine process without an audio interface: it plays a take in real time and leaves on every kind of end."""

import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile

from thumbline.cli.live_memory import ENDED, FAULT, PLAYING, create
from thumbline.cli.null_stream import NullStream
from thumbline.cli.routing import make_routing
from thumbline.dsp.errors import InputError
from thumbline.dsp.processor import Processor
from thumbline.dsp.records import BASS, LEFT, Record
from thumbline.dsp.rig import Rig

RATE, BLOCK = 48_000, 64
DEMO = Path(__file__).parents[2] / "data" / "demo.flac"
Start = Callable[..., tuple[Record, "subprocess.Popen[str]"]]


def reach(condition: Callable[[], Any], seconds: float) -> None:
    until = time.monotonic() + seconds
    while not condition():
        assert time.monotonic() < until, "not reached in time"
        time.sleep(0.005)


@pytest.fixture
def take(tmp_path: Path) -> Path:
    frames, rate = soundfile.read(DEMO, start=RATE // 2, frames=RATE // 2 + 7)
    soundfile.write(tmp_path / "take.flac", frames, rate)
    return tmp_path / "take.flac"


@pytest.fixture
def make(tmp_path: Path) -> Callable[..., Record]:
    def memory(take: Path, rate: int = RATE) -> Record:
        routing = make_routing([1], [2])
        settings = [("song", Rig())]
        return create(tmp_path / "memory", settings, rate=rate, block_frames=BLOCK, routing=routing, take=str(take))

    return memory


@pytest.fixture
def start(tmp_path: Path, make: Callable[..., Record]) -> Iterator[Start]:
    running = []

    def run(take: Path, wait: bool = True, **keywords: Any) -> tuple[Record, "subprocess.Popen[str]"]:
        live = make(take, **keywords)
        command = [sys.executable, "-m", "thumbline.cli.engine", str(tmp_path / "memory")]
        engine = subprocess.Popen(command, stderr=subprocess.PIPE, text=True)
        running.append(engine)
        if wait:
            reach(lambda: live.engine.blocks > 10 or engine.poll() is not None, 60.0)
        return live, engine

    yield run
    for engine in running:
        engine.kill()
        engine.communicate()


def test_a_take_comes_out_as_render_gives_it_sample_for_sample(make: Callable[..., Record], take: Path) -> None:
    live = make(take)
    heard: list[np.ndarray] = []
    live.request.sound_on = 1
    stream = NullStream(live, lambda block: heard.append(block.copy()))
    stream.start()
    reach(lambda: stream.ended, 30.0)
    stream.close()
    frames = soundfile.read(take)[0]
    assert live.engine.take_frames == len(frames)
    silence = int(live.engine.take_from)
    rendered = Processor(Rig(), RATE).process(np.concatenate([np.zeros((silence, 6)), frames]))[0]
    assert live.engine.frames == len(rendered)
    np.testing.assert_array_equal(np.concatenate(heard), rendered[:, [BASS, LEFT]].astype(np.float32))


def test_a_take_is_played_no_faster_than_it_was_played(make: Callable[..., Record], take: Path) -> None:
    live = make(take)
    live.request.sound_on = 1
    stream = NullStream(live)
    begun = time.monotonic()
    stream.start()
    reach(lambda: stream.ended, 30.0)
    assert time.monotonic() - begun >= (int(live.engine.frames) - BLOCK) / RATE
    stream.close()


def test_a_take_of_another_rate_is_refused(make: Callable[..., Record], take: Path) -> None:
    with pytest.raises(InputError, match="has 48000 Hz; accepted: the engine's 44100"):
        NullStream(make(take, 44100))


def test_the_engine_plays_a_take_to_its_end_and_leaves(start: Start, take: Path) -> None:
    live, engine = start(take)
    assert live.engine.phase == PLAYING
    assert live.engine.pid == engine.pid
    assert not live.engine.sound
    live.request.sound_on = 1
    assert engine.wait(30.0) == 0
    assert live.engine.phase == ENDED
    assert live.engine.frames == live.engine.take_from + live.engine.take_frames
    assert live.engine.events > 10
    assert sum(live.engine.work_bins) == live.engine.blocks


@pytest.mark.parametrize("how", ["request", "signal"])
def test_the_engine_leaves_when_it_is_told_to(start: Start, take: Path, how: str) -> None:
    live, engine = start(take)
    if how == "request":
        live.request.stop = 1
    else:
        engine.send_signal(signal.SIGTERM)
    assert engine.wait(2.0) == 0
    assert live.engine.phase == ENDED


def test_the_terminals_interrupt_is_left_to_the_console(start: Start, take: Path) -> None:
    live, engine = start(take)
    engine.send_signal(signal.SIGINT)
    blocks = int(live.engine.blocks)
    reach(lambda: live.engine.blocks > blocks + 100, 10.0)
    assert engine.poll() is None


def test_a_take_that_cannot_be_used_is_said_with_code_2(start: Start, tmp_path: Path) -> None:
    live, engine = start(tmp_path / "nothing.wav", wait=False)
    assert engine.wait(60.0) == 2
    assert live.engine.phase == FAULT
    assert "nothing.wav" in bytes(live.engine.fault).decode()
    assert engine.stderr is not None
    assert engine.stderr.read() == ""


@pytest.mark.skipif(os.name != "posix", reason="a parent's end is seen on POSIX systems")
def test_the_engine_ends_when_the_console_is_killed(make: Callable[..., Record], take: Path, tmp_path: Path) -> None:
    live = make(take)
    program = (
        "import subprocess, sys, time\n"
        "subprocess.Popen([sys.executable, '-m', 'thumbline.cli.engine', sys.argv[1]])\n"
        "time.sleep(120)\n"
    )
    console = subprocess.Popen([sys.executable, "-c", program, str(tmp_path / "memory")])
    live.console.pid = console.pid
    try:
        reach(lambda: live.engine.blocks > 10, 60.0)
    finally:
        console.kill()
        console.wait()
    reach(lambda: live.engine.phase == ENDED, 2.0)


def test_an_engine_that_is_started_again_goes_on_with_the_event_ring(start: Start, take: Path, tmp_path: Path) -> None:
    live, engine = start(take)
    live.request.sound_on = 1
    reach(lambda: live.engine.events > 10, 10.0)
    engine.kill()
    engine.wait()
    written = int(live.engine.events)
    command = [sys.executable, "-m", "thumbline.cli.engine", str(tmp_path / "memory")]
    with subprocess.Popen(command) as again:
        try:
            reach(lambda: live.engine.pid == again.pid and live.engine.phase == PLAYING, 60.0)
            assert live.state.events_written >= written
            assert live.engine.frames < RATE
        finally:
            again.kill()
