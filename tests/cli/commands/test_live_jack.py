"""`thumbline live` through a real sound server: PortAudio in and out, MIDI to a sound module, and what can go wrong."""

import os
import signal
import subprocess
import time
from collections.abc import Iterator
from contextlib import contextmanager
from functools import cache
from pathlib import Path

import numpy as np
import pytest
import soundfile

from tests.cli.commands.test_live import ORDER, RATE, make_take
from tests.helpers.jack_server import JackServer, jack_server
from tests.helpers.jack_stage import Module, Stage, stage_apart
from tests.helpers.lateness import longest_late_s, watched
from tests.helpers.live_process import LiveProcess, alive, wait_until

pytestmark = pytest.mark.real_time

#: From a fault to open strings at the sound module, in seconds.
OPEN_S = 0.25
#: From a pluck to the control change at the module, at blocks of 64 frames, in milliseconds.
MEDIAN_MS, P95_MS = 3.5, 10.0


#: A take of eight seconds, made once.
eight_seconds = cache(lambda: make_take(8.0))


@pytest.fixture(scope="module")
def take(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("takes") / "take.wav"
    soundfile.write(path, eight_seconds(), RATE, subtype="FLOAT")
    return path


@contextmanager
def on_stage(folder: Path, block: int = 64) -> Iterator[tuple[LiveProcess, Stage, JackServer]]:
    with (
        jack_server(folder, period=block) as server,
        Stage(server.name, eight_seconds(), folder) as stage,
        LiveProcess("--rig", stage.rig, "--block", str(block), environment=server.environment) as live,
    ):
        watched()
        live.wait_for("playing")
        wait_until(lambda: live.record.engine.sound == 1.0, "sound")
        stage.go = True
        wait_until(lambda: len(stage.module.muted) == 5, "five muted strings")
        yield live, stage, server


def open_after(stage: Stage, fault_s: float) -> float:
    """Wait until every string is open at the module; returns how long after ``fault_s`` that was."""
    wait_until(lambda: stage.module.opened_at(fault_s) is not None, "open strings", 10.0)
    return (stage.module.opened_at(fault_s) or np.inf) - fault_s


Messages = list[tuple[int, float, int, int]]
"""Frame, monotonic seconds, string, value."""


def pluck_waits_ms(begun_frame: int, messages: Messages, rounds: range, frames: int) -> list[float]:
    """From each pluck of the take to the message that opens its string; none for one that never came."""
    waits = []
    opened: dict[int, list[int]] = {string: [] for string in range(1, 7)}
    for frame, _, string, value in messages:
        if value == 0:
            opened[string].append(frame)
    for round_ in rounds:
        for place in range(int((8.0 - 0.6) / 0.2)):
            pluck = begun_frame + round_ * frames + round((0.3 + 0.2 * place) * RATE)
            after = [frame - pluck for frame in opened[ORDER[place % len(ORDER)]] if frame > pluck]
            if after and after[0] < RATE // 10:
                waits.append(1e3 * after[0] / RATE)
    return waits


def basses(messages: Messages) -> list[int]:
    """The strings that were open alone, one after the other: where the module was told the bass is."""
    path: list[int] = []
    muted: set[int] = set()
    for _, _, string, value in messages:
        (muted.add if value else muted.discard)(string)
        if len(muted) == 5:
            (alone,) = set(range(1, 7)) - muted
            if path[-1:] != [alone]:
                path.append(alone)
    return path


def decided(live: LiveProcess) -> list[int]:
    """The strings that the engine has handed the bass to, as it says itself."""
    path: list[int] = []
    for handover in live.of_kind("handover"):
        if handover["string"] and path[-1:] != [handover["string"]]:
            path.append(handover["string"])
    return path


def test_a_pluck_reaches_the_module_within_milliseconds(tmp_path: Path, take: Path) -> None:
    frames = round(8.0 * RATE)
    with (
        jack_server(tmp_path) as server,
        stage_apart(server, take, tmp_path) as room,
        LiveProcess("--rig", room.rig, "--block", "64", environment=server.environment) as live,
    ):
        live.wait_for("playing")
        wait_until(lambda: sum(live.record.keeper.closed) == 5, "five muted strings")
        playing_s = time.monotonic()
        time.sleep(8.0)
        begun, messages = room.finish()
    messages = [message for message in messages if message[1] > playing_s]
    rounds = range((messages[0][0] - begun) // frames, (messages[-1][0] - begun) // frames + 1)
    waits = pluck_waits_ms(begun, messages, rounds, frames)
    median, p95 = (float(np.percentile(waits, share)) for share in (50, 95))
    print(
        f"pluck to control change: {len(waits)} plucks, median {median:.2f}, 95 % {p95:.2f}, worst {max(waits):.2f} ms"
    )
    assert len(waits) > 20
    assert median <= MEDIAN_MS
    assert p95 <= P95_MS


def test_all_decisions_arrive_in_order_and_none_is_lost(tmp_path: Path, take: Path) -> None:
    # A server that runs by the clock of a busy machine leaves out blocks, and the messages in them: so one that waits.
    with (
        jack_server(tmp_path, synchronous=True) as server,
        stage_apart(server, take, tmp_path) as room,
        LiveProcess("--rig", room.rig, environment=server.environment) as live,
    ):
        wait_until(lambda: sum(live.record.keeper.closed) == 5, "five muted strings")
        before = len(decided(live))
        wait_until(lambda: len(decided(live)) > before + 45, "forty-five decisions")
        made = len(decided(live))
        live.record.request.all_open = 1  # what is decided from here on need not be carried out
        time.sleep(0.3)
        _, messages = room.finish()
        path, told, sent = decided(live), basses(messages), int(live.record.keeper.sent)
    # Before somebody stands by nothing is muted, and while all are asked to be open nothing is either.
    begins = [at for at in range(len(path)) if path[at : at + len(told)] == told]
    assert begins, f"{told} is no part of {path}"
    assert begins[0] + len(told) >= made
    assert len(told) > 40
    assert len(messages) == sent


@pytest.mark.parametrize("number", [signal.SIGKILL, signal.SIGTERM, signal.SIGSTOP])
def test_an_engine_that_ends_or_hangs_leaves_no_string_muted_and_comes_back(tmp_path: Path, number: int) -> None:
    with on_stage(tmp_path) as (live, stage, _):
        engine = int(live.record.engine.pid)
        killed = time.monotonic()
        os.kill(engine, number)
        opened_s = open_after(stage, killed)
        live.wait_for("recovered")
        assert int(live.record.engine.pid) != engine
        wait_until(lambda: len(stage.module.muted) == 5, "mutes that follow again")
    print(f"signal {number} to the engine: open after {1e3 * opened_s:.0f} ms")
    assert opened_s <= OPEN_S + longest_late_s(killed, opened_s)


@pytest.mark.parametrize("number", [signal.SIGKILL, signal.SIGTERM, signal.SIGSTOP])
def test_a_keeper_that_ends_or_hangs_is_replaced_and_the_state_is_said_again(tmp_path: Path, number: int) -> None:
    with on_stage(tmp_path) as (live, stage, _):
        wait_until(lambda: any(live.record.keeper.standby_warm), "one that stands by")
        keeper = int(live.record.keeper.pid)
        killed = time.monotonic()
        os.kill(keeper, number)
        opened_s = open_after(stage, killed)
        wait_until(lambda: int(live.record.keeper.pid) != keeper, "another keeper", 10.0)
        wait_until(lambda: len(stage.module.muted) == 5, "mutes that follow again")
        assert not alive(keeper)
    print(f"signal {number} to the keeper: open after {1e3 * opened_s:.0f} ms")
    assert opened_s <= OPEN_S + longest_late_s(killed, opened_s)


@pytest.mark.parametrize(("number", "code"), [(signal.SIGKILL, -9), (signal.SIGTERM, 1), (signal.SIGINT, 0)])
def test_a_console_that_ends_leaves_no_string_muted_and_nothing_running(tmp_path: Path, number: int, code: int) -> None:
    with on_stage(tmp_path) as (live, stage, _):
        pids = [int(live.record.engine.pid), int(live.record.keeper.pid)]
        killed = time.monotonic()
        live.process.send_signal(number)
        opened_s = open_after(stage, killed)
        assert live.wait() == code
        wait_until(lambda: not any(map(alive, pids)), "the end of the others", 5.0)
        assert not stage.module.muted
    print(f"signal {number} to the console: open after {1e3 * opened_s:.0f} ms")
    assert opened_s <= OPEN_S + longest_late_s(killed, opened_s)


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGKILL, signal.SIGSTOP])
def test_a_sound_server_that_dies_is_a_fault_and_after_a_while_the_end(tmp_path: Path, take: Path, number: int) -> None:
    with (
        jack_server(tmp_path) as server,
        stage_apart(server, take, tmp_path) as room,
        LiveProcess("--rig", room.rig, "--wait", "3", environment=server.environment) as live,
    ):
        live.wait_for("playing")
        wait_until(lambda: sum(live.record.keeper.closed) == 5, "five muted strings")
        server.process.send_signal(number)
        wait_until(lambda: any(fault["kind"] in ("interface", "engine") for fault in live.of_kind("fault")), "a fault")
        assert live.wait() == 1
        pids = [int(live.record.engine.pid), int(live.record.keeper.pid)]
        wait_until(lambda: not any(map(alive, pids)), "the end of the other processes", 5.0)
        assert "gave up after 3 s" in live.err


def test_a_sound_server_that_comes_back_is_played_through_again(tmp_path: Path, take: Path) -> None:
    with jack_server(tmp_path) as server:
        with stage_apart(server, take, tmp_path) as room:
            live = LiveProcess("--rig", room.rig, "--wait", "60", environment=server.environment)
            live.wait_for("playing")
            server.process.kill()
            server.process.wait()
        with live:
            live.wait_for("fault")
            again = subprocess.Popen(server.process.args, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
            try:
                time.sleep(1.0)
                with stage_apart(server, take, tmp_path):
                    wait_until(lambda: live.of_kind("recovered"), "sound")
                    wait_until(lambda: sum(live.record.keeper.closed) == 5, "mutes that follow again")
                    live.process.send_signal(signal.SIGINT)
                    assert live.wait() == 0
                    assert not any(live.record.keeper.closed)
            finally:
                again.terminate()
                again.wait(30.0)  # as long as it takes to let go of clients that were killed


def test_a_module_that_vanishes_is_told_the_whole_state_when_it_returns(tmp_path: Path) -> None:
    with on_stage(tmp_path) as (live, stage, server):
        stage.module.close()
        assert live.wait_for("fault")["kind"] == "midi port"
        assert live.of_kind("status")
        stage.module = Module(server.name)
        assert live.wait_for("recovered")["kind"] == "midi port"
        wait_until(lambda: len({string for _, _, string, _ in stage.module.messages}) == 6, "the whole state", 5.0)
        wait_until(lambda: len(stage.module.muted) == 5, "five muted strings", 5.0)
        assert live.process.poll() is None


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("--input", "no such thing"), "no such thing"),
        (("--midi", "no such module"), "no such module"),
        (("--foot", "no such floor"), "no such floor"),
        (("--rate", "44100"), "44100"),
    ],
)
def test_a_device_or_port_that_is_not_there_exits_2_and_says_what_is(
    tmp_path: Path, take: Path, arguments: tuple[str, ...], words: str
) -> None:
    with (
        jack_server(tmp_path) as server,
        stage_apart(server, take, tmp_path) as room,
        LiveProcess("--rig", room.rig, *arguments, environment=server.environment) as live,
    ):
        assert live.wait() == 2
        last = live.err.splitlines()[-1]
        assert words in last
        assert "accepted" in last or "can do" in last
