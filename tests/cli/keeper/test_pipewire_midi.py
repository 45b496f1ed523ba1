"""The keepers over PipeWire's JACK: names are not told apart there, and a server that dies says nothing."""

import os
import signal
import tempfile
import time
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path

import pytest
import soundfile

from tests.cli.commands.test_live import RATE, make_take
from tests.helpers.keeper_room import LIMIT_S
from tests.helpers.lateness import longest_late_s, watched
from tests.helpers.live_process import LiveProcess, wait_until
from tests.helpers.midi_receiver import Receiver
from tests.helpers.pipewire_server import INTERFACE, SINK, PipeWire, pipewire_server

pytestmark = pytest.mark.real_time

UNDER = ("pw-jack",)


@pytest.fixture(scope="module")
def take(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("takes") / "take.wav"
    soundfile.write(path, make_take(40.0), RATE, subtype="FLOAT")
    return path


@contextmanager
def stage(port: str, *arguments: str | Path) -> Iterator[tuple[PipeWire, LiveProcess, Receiver]]:
    with tempfile.TemporaryDirectory() as name, pipewire_server(Path(name)) as server:  # a socket's path must be short
        watched()
        rig = Path(name) / "rig.toml"
        rig.write_text(f'[midi]\nport = "{port}"\nresend_s = 0.0\n')
        module = Receiver("", under=UNDER, environment=server.environment)
        try:
            with LiveProcess("--rig", rig, *arguments, environment=server.environment, under=UNDER) as live:
                yield server, live, module
        finally:
            module.close()


def settle(live: LiveProcess, module: Receiver) -> None:
    wait_until(lambda: len(module.muted) == 5 and all(live.record.keeper.standby_warm), "five muted strings")


@pytest.mark.parametrize("port", ["module:in", ""], ids=["the module's port", "a port of our own"])
def test_keepers_that_die_or_hang_there_leave_no_string_muted(take: Path, port: str) -> None:
    """Every successor's port must be the one that it connects, though the dead one's bore the same name."""
    with stage(port, "--take", take) as (server, live, module):
        keeper = live.record.keeper
        if not port:
            wait_until(lambda: bytes(keeper.port), "our own port")
            own = bytes(keeper.port).decode()
            wait_until(lambda: own in server.run("pw-link", "-o"), "our own port at the server")
            server.run("pw-link", own, "module:in")
        for number in (signal.SIGKILL, signal.SIGSTOP, signal.SIGKILL):
            settle(live, module)
            at_s = time.monotonic()
            os.kill(int(keeper.pid), number)
            wait_until(lambda at_s=at_s: module.opened_at(at_s), "open strings", 10.0)
            opened_s = (module.opened_at(at_s) or 0.0) - at_s
            assert opened_s < LIMIT_S + longest_late_s(at_s, opened_s)
        settle(live, module)


def test_a_pipewire_that_restarts_is_played_and_sent_through_again(take: Path) -> None:
    arguments = "--input", INTERFACE, "--output", SINK
    with stage("module:in", *arguments) as (server, live, module):
        live.wait_for("playing")
        player = server.play(take)
        settle(live, module)
        keeper = int(live.record.keeper.pid)
        server.kill()
        player.wait(10.0)
        wait_until(lambda: not live.record.keeper.port_present, "the loss of the port", 10.0)
        assert not any(live.record.keeper.closed), "nothing counts as muted while nothing can be sent"
        module.close()
        server.start()
        with closing(Receiver("", under=UNDER, environment=server.environment)) as module:
            wait_until(lambda: len(module.messages) >= 6, "the whole state", 20.0)
            first = {string: value for _, string, value in reversed(module.messages)}
            assert set(first.values()) == {0}, "every string is opened first"
            live.wait_for("playing", 2)
            player = server.play(take)
            settle(live, module)
            assert keeper == int(live.record.keeper.pid), "nobody had to be replaced"
            player.terminate()
            player.wait(5.0)
