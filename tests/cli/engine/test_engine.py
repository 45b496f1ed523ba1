"""The engine process without an audio interface: it plays a take in real time and leaves on every kind of end."""

import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
import soundfile

import thumbline.cli.engine.engine as engine_module
from tests.helpers.lateness import reach
from tests.helpers.places import DEMO
from thumbline.cli.console.make_memory import create
from thumbline.cli.console.routing import make_routing
from thumbline.cli.engine.callback import call
from thumbline.cli.engine.null_stream import NullStream
from thumbline.cli.shared.live_memory import ENDED, FAULT, PLAYING
from thumbline.dsp.errors import InputError
from thumbline.dsp.memory.events import NOTE, take_events
from thumbline.dsp.memory.record_type import Record
from thumbline.dsp.memory.records import BASS, LEFT
from thumbline.dsp.processor.processor import Processor
from thumbline.dsp.rig.file import load_rig
from thumbline.dsp.rig.model import Rig

pytestmark = pytest.mark.real_time

RATE, BLOCK = 48_000, 64
Start = Callable[..., tuple[Record, "subprocess.Popen[str]"]]
#: What a set may change from song to song: sound, rule, and how the strings are tuned.
SETTINGS = [
    {},
    {"bass": {"voice": "synth", "interval": -7}, "output": {"ceiling_db": -12.0}},
    {"choice": {"rule": "last plucked"}, "guitar": {"strings": "all", "stereo": True}},
    {"instrument": {"capo": 2}, "bass": {"tone_hz": 300.0, "level_db": -6.0, "character": "picked"}},
]


@pytest.fixture
def take(tmp_path: Path) -> Path:
    frames, rate = soundfile.read(DEMO, start=RATE // 2, frames=RATE // 2 + 7)
    soundfile.write(tmp_path / "take.flac", frames, rate)
    return tmp_path / "take.flac"


@pytest.fixture
def make(tmp_path: Path) -> Callable[..., Record]:
    def memory(take: Path, rate: int = RATE, settings: Sequence[dict[str, Any]] = ({},)) -> Record:
        routing = make_routing([1], [2])
        songs = [(f"song {number}", Rig.model_validate(each)) for number, each in enumerate(settings)]
        return create(tmp_path / "memory", songs, rate=rate, block_frames=BLOCK, routing=routing, take=str(take))

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
    live.request.sound_on = live.request.begin = 1
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
    live.request.sound_on = live.request.begin = 1
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
    live.request.sound_on = live.request.begin = 1
    assert engine.wait(30.0) == 0
    assert live.engine.phase == ENDED
    assert live.engine.frames == live.engine.take_from + live.engine.take_frames
    assert live.engine.events > 10
    assert sum(live.engine.work_bins) == live.engine.blocks


def test_settings_that_are_switched_all_the_while_cost_no_block(start: Start, tmp_path: Path) -> None:
    frames, rate = soundfile.read(DEMO, start=RATE // 2, frames=2 * RATE)
    soundfile.write(tmp_path / "take.flac", frames, rate)
    live, engine = start(tmp_path / "take.flac", settings=SETTINGS)
    live.request.sound_on = live.request.begin = 1
    switches = 0
    while engine.poll() is None:
        if live.engine.take_from >= 0 and live.engine.setting == live.request.setting:
            live.request.setting = (int(live.request.setting) + 1) % len(SETTINGS)
            switches += 1
        time.sleep(0.002)
    assert engine.returncode == 0
    assert live.engine.frames == live.engine.take_from + len(frames)
    assert sum(live.engine.work_bins) == live.engine.blocks
    assert switches > 100


def test_a_block_in_which_the_setting_changes_is_worked_on_for_less_time_than_it_lasts(
    make: Callable[..., Record], take: Path
) -> None:
    """In time of the thread, which other programs on the machine do not lengthen."""
    frames = np.ascontiguousarray(soundfile.read(DEMO, start=RATE // 2, frames=2 * RATE)[0], np.float32)
    live = make(take, settings=SETTINGS)
    engine_module.Engine(live)
    out, work_s = np.zeros((BLOCK, int(live.setup.outputs)), np.float32), []
    for number, first in enumerate(range(0, len(frames) - BLOCK + 1, BLOCK)):
        live.request.setting = number % len(SETTINGS)
        begun = time.thread_time()
        call(live, frames[first : first + BLOCK], out)
        work_s.append(time.thread_time() - begun)
        assert live.engine.setting == number % len(SETTINGS)
    assert max(work_s[10:]) < BLOCK / RATE


@pytest.mark.parametrize("how", ["request", "signal"])
def test_the_engine_leaves_when_it_is_told_to(start: Start, take: Path, how: str) -> None:
    live, engine = start(take)
    if how == "request":
        live.request.stop = 1
    else:
        engine.send_signal(signal.SIGTERM)
    reach(lambda: engine.poll() is not None, 2.0)
    assert engine.returncode == 0
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
    live.request.sound_on = live.request.begin = 1
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


PATCHED = """
import sys
import thumbline.cli.engine.engine as engine
{patch}
engine.main()
"""


@pytest.mark.parametrize(
    ("patch", "fault", "advice"),
    [
        ("def broken(live):\n    raise KeyError('gain')\nengine.warm_up = broken", "KeyError: 'gain'", "fault of the"),
        ("engine.FIRST_BLOCK_S = 0.2\nengine.Engine._open = lambda self: Silent()", "stopped asking", "plugged in"),
        ("engine.Engine._open = lambda self: Silent(True)", "stopped asking", "plugged in"),
    ],
    ids=["a fault of its own", "a device that never asks for sound", "a device that ends by itself"],
)
def test_what_goes_wrong_inside_is_said_with_code_1(
    make: Callable[..., Record], tmp_path: Path, patch: str, fault: str, advice: str
) -> None:
    live = make(Path())
    live.setup.take_path = b""
    silent = (
        "class Silent:\n"
        "    rate, input_latency_s, output_latency_s = 48000.0, 0.0, 0.0\n"
        "    start = close = lambda self: None\n"
        "    def __init__(self, ended=False):\n        self.ended = ended\n"
    )
    program = PATCHED.format(patch=silent + patch)
    done = subprocess.run(
        [sys.executable, "-c", program, str(tmp_path / "memory")],
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
    assert (done.returncode, done.stderr) == (1, "")
    assert live.engine.phase == FAULT
    assert fault in bytes(live.engine.fault).decode()
    assert advice in bytes(live.engine.advice).decode()


def test_where_no_memory_comes_it_gives_up_and_says_so(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(engine_module, "MEMORY_S", 0.05)
    (tmp_path / "memory").write_bytes(b"too short")
    with pytest.raises(SystemExit, match="no memory came at"):
        engine_module._memory(tmp_path / "memory")


def test_without_a_parent_to_watch_a_console_that_falls_silent_has_gone(
    make: Callable[..., Record], take: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    live = make(take)
    engine = engine_module.Engine(live)
    live.console.pid = os.getpid()
    assert not engine._console_is_gone()
    monkeypatch.setattr(engine_module, "os", SimpleNamespace(name="nt"))
    live.console.beat_ns = time.monotonic_ns()
    assert not engine._console_is_gone()
    live.console.beat_ns = time.monotonic_ns() - 2 * 10**9
    assert engine._console_is_gone()


def test_a_setting_that_is_none_of_the_set_is_begun_with_the_first(make: Callable[..., Record], take: Path) -> None:
    live = make(take, settings=SETTINGS)
    live.request.setting = 99
    engine_module.Engine(live)
    assert live.engine.setting == 0
    assert live.state.ratio == live.params[0].ratio


def _play(live: Record, frames: np.ndarray) -> np.ndarray:
    """Give an engine's callback frames in blocks; return the events, dated from the first frame."""
    out = np.zeros((BLOCK, int(live.setup.outputs)), np.float32)
    read, events = int(live.state.events_written), []
    for first in range(0, len(frames) - BLOCK + 1, BLOCK):
        call(live, np.ascontiguousarray(frames[first : first + BLOCK], np.float32), out)
        new, read = take_events(live.state, read)
        events.append(new)
    return np.concatenate(events)


def test_an_engine_started_again_in_mid_play_knows_the_hum_and_decides_as_if_nothing_had_been(
    make: Callable[..., Record], take: Path
) -> None:
    data = load_rig(DEMO.with_suffix(".toml")).model_dump()
    frames = soundfile.read(DEMO, frames=8 * RATE)[0]
    time_s = np.arange(len(frames))[:, None] / RATE
    frames = frames + 0.008 * np.sin(2 * np.pi * 50 * time_s) + 0.003 * np.sin(2 * np.pi * 150 * time_s + 1)
    live = make(take, settings=[data])
    engine_module.Engine(live)
    whole = _play(live, frames)
    engine_module.Engine(live)
    _play(live, frames[: 4 * RATE])
    weights = np.array(live.state.hum_a)
    assert np.abs(weights).max() > 0.001
    engine_module.Engine(live)
    assert live.state.hum_kept == 1
    np.testing.assert_array_equal(live.state.hum_kept_a, weights)
    engine_module.Engine(live)  # killed before it could use what it was handed
    np.testing.assert_array_equal(live.state.hum_kept_a, weights)
    begin = round(4.473 * RATE)
    again = _play(live, frames[begin:])
    first, last = begin + RATE // 10, len(frames) - RATE // 10
    expected = whole[(whole["kind"] == NOTE) & (whole["frame"] >= first) & (whole["frame"] < last)]
    found = again[again["kind"] == NOTE]
    found = found[(found["frame"] >= first - begin) & (found["frame"] < last - begin)]
    assert len(expected) >= 5
    np.testing.assert_array_equal(found["string"], expected["string"])
    np.testing.assert_allclose(found["frame"] + begin, expected["frame"], atol=RATE // 200)
