"""`thumbline unmute`, `mutes` whose terminal closes, and a second run on one module, over a real JACK server."""

import os
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
import soundfile

from tests.cli.commands.test_live import RATE, make_take
from tests.helpers.jack_server import JackServer, jack_server
from tests.helpers.live_process import LiveProcess, wait_until
from tests.helpers.midi_receiver import Receiver
from thumbline.cli.console.child_processes import base_folder

RIG = '[midi]\nport = "module"\nresend_s = 0.0\n'


@pytest.fixture(autouse=True)
def runs_apart(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """Runs of other tests at the same time are neither found nor asked to unmute anything."""
    with tempfile.TemporaryDirectory(prefix="runs-of-tests-", dir=base_folder()) as folder:
        monkeypatch.setenv("THUMBLINE_RUNS", folder)
        yield


@pytest.fixture(scope="module")
def take(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("takes") / "take.wav"
    soundfile.write(path, make_take(60.0), RATE, subtype="FLOAT")
    return path


@contextmanager
def module_on(folder: Path) -> Iterator[tuple[JackServer, Receiver, Path]]:
    with jack_server(folder, client_timeout_ms=500) as server:
        module = Receiver(server.name)
        rig = folder / "rig.toml"
        rig.write_text(RIG)
        try:
            yield server, module, rig
        finally:
            module.close()


def thumbline(server: JackServer, *arguments: str | Path) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-m", "thumbline.cli", *map(str, arguments)]
    environment = os.environ | server.environment
    return subprocess.run(command, env=environment, capture_output=True, text=True, timeout=60.0, check=False)


def test_a_run_that_plays_keeps_all_open_when_it_is_asked_from_another_terminal(tmp_path: Path, take: Path) -> None:
    with (
        module_on(tmp_path) as (server, module, rig),
        LiveProcess("--rig", rig, "--take", take, environment=server.environment) as live,
    ):
        wait_until(lambda: len(module.muted) == 5, "five muted strings")
        result = thumbline(server, "unmute", "--rig", rig)
        assert result.returncode == 0, result.stderr
        assert f"(process {live.process.pid}) leaves every string unmuted" in result.stdout
        assert result.stdout.splitlines()[-1] == "Every string is unmuted at module:in."
        assert not module.muted
        time.sleep(0.5)
        assert not module.muted
        assert live.record.request.all_open == 1


def test_what_a_run_that_hangs_left_muted_is_opened(tmp_path: Path, take: Path) -> None:
    with (
        module_on(tmp_path) as (server, module, rig),
        LiveProcess("--rig", rig, "--take", take, environment=server.environment) as live,
    ):
        wait_until(lambda: len(module.muted) == 5, "five muted strings")
        keeper = live.record.keeper
        wait_until(lambda: all(keeper.standby_warm), "those who stand by")
        wait_until(lambda: len(module.muted) == 5, "five muted strings")
        pids = [live.process.pid, int(live.record.engine.pid), *map(int, keeper.standby_pid), int(keeper.pid)]
        for pid in pids:
            os.kill(pid, signal.SIGSTOP)
        assert module.muted
        result = thumbline(server, "unmute", "--rig", rig)
        assert result.returncode == 0, result.stderr
        assert "did not answer; its MIDI processes were ended" in result.stdout
        assert not module.muted
        for pid in pids:
            if Path(f"/proc/{pid}").exists():
                os.kill(pid, signal.SIGCONT)


def test_without_a_port_it_is_said_what_is_missing(tmp_path: Path) -> None:
    with module_on(tmp_path) as (server, _, _):
        result = thumbline(server, "unmute", "--midi", "elsewhere")
        assert result.returncode == 2
        assert "MIDI port is 'elsewhere'; accepted: 'module:in'" in result.stderr


def test_a_second_run_on_the_same_module_is_refused_in_words(tmp_path: Path, take: Path) -> None:
    with (
        module_on(tmp_path) as (server, module, rig),
        LiveProcess("--rig", rig, "--take", take, environment=server.environment) as live,
    ):
        wait_until(lambda: len(module.muted) == 5, "five muted strings")
        with LiveProcess("--rig", rig, "--take", take, environment=server.environment) as second:
            assert second.wait() == 2
        words = f"MIDI port 'module:in' is used by another `thumbline live` (process {live.process.pid})"
        assert words in second.err.splitlines()[-1]
        wait_until(lambda: len(module.muted) == 5, "mutes of the first")


def test_a_module_that_is_switched_on_after_the_start_is_waited_for(tmp_path: Path, take: Path) -> None:
    with jack_server(tmp_path) as server:
        rig = tmp_path / "rig.toml"
        rig.write_text(RIG)
        arguments = ("--rig", rig, "--take", take, "--wait", "60")
        with LiveProcess(*arguments, environment=server.environment) as live:
            live.wait_for("playing")
            wait_until(lambda: any("accepted" in fault["text"] for fault in live.of_kind("fault")), "what is missing")
            assert not any(live.record.keeper.closed)
            module = Receiver(server.name)
            try:
                wait_until(lambda: len(module.muted) == 5, "five muted strings")
            finally:
                module.close()


def test_a_module_that_never_comes_ends_the_wait(tmp_path: Path, take: Path) -> None:
    with jack_server(tmp_path) as server:
        rig = tmp_path / "rig.toml"
        rig.write_text(RIG)
        with LiveProcess("--rig", rig, "--take", take, "--wait", "2", environment=server.environment) as live:
            assert live.wait() == 2
        assert "MIDI port is 'module'; accepted: none is there" in live.err.splitlines()[-1]


@pytest.mark.parametrize("number", [signal.SIGHUP, signal.SIGTERM, signal.SIGINT])
def test_mutes_opens_all_when_its_terminal_closes(tmp_path: Path, number: signal.Signals) -> None:
    with module_on(tmp_path) as (server, module, rig):
        command = [sys.executable, "-m", "thumbline.cli", "mutes", "--rig", str(rig), "--seconds", "20"]
        environment = os.environ | server.environment
        with subprocess.Popen(command, env=environment, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL) as mutes:
            wait_until(lambda: module.muted == {6}, "one muted string")
            at = time.monotonic()
            mutes.send_signal(number)
            wait_until(lambda: module.opened_at(at), "open strings", 10.0)
            mutes.wait(10.0)
        assert not module.muted
        assert (module.opened_at(at) or at + 9.0) - at < 0.25
