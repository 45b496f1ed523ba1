"""Our MIDI port under a real JACK server: servers that restart, ports that return, connections that are followed."""

import os
import signal
import subprocess
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from tests.helpers.jack_server import JackServer, again, jack_server
from tests.helpers.midi_receiver import Receiver
from tests.helpers.port_apart import PortApart
from thumbline.cli.devices.jack_midi import FORGET_NS

MUTE_6 = [0xB0, 107, 127]


@pytest.fixture
def server(tmp_path: Path) -> Iterator[JackServer]:
    with jack_server(tmp_path) as server:
        yield server


def wait(what: Callable[[], object], limit_s: float = 20.0) -> None:
    until = time.monotonic() + limit_s
    while not what():
        assert time.monotonic() < until, "waited in vain"
        time.sleep(0.002)


@contextmanager
def module_on(server: JackServer, name: str = "module") -> Iterator[Receiver]:
    module = Receiver(server.name, name)
    try:
        yield module
    finally:
        module.close()


def port_on(server: JackServer, wanted: str) -> PortApart:
    return PortApart(wanted, os.environ | server.environment)


def connect(server: JackServer, source: str, target: str, *, cut: bool = False) -> None:
    command = ["jack_disconnect" if cut else "jack_connect", source, target]
    subprocess.run(command, env=os.environ | server.environment, check=True, timeout=10.0)


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGKILL])
@pytest.mark.parametrize("own", [False, True], ids=["named port", "port of its own"])
def test_after_a_restart_of_the_server_messages_arrive_again(
    server: JackServer, number: signal.Signals, own: bool
) -> None:
    with port_on(server, "" if own else "module") as port:
        with module_on(server):
            if own:
                wait(lambda: port.name)
                assert not port.present, "nothing is connected to it"
                connect(server, port.name, "module:in")
            wait(lambda: port.present)
            server.process.send_signal(number)
            server.process.wait(10.0)
            wait(lambda: not port.present)
        again(server)
        with module_on(server) as module:
            wait(lambda: port.present)
            assert port.name == "module:in"
            port.send(MUTE_6)
            wait(lambda: module.muted == {6})


def test_a_module_that_returns_under_another_full_name_is_used_again(server: JackServer) -> None:
    with port_on(server, "module") as port:
        with module_on(server, "module-A"):
            wait(lambda: port.present)
            assert port.name == "module-A:in"
        wait(lambda: not port.present)
        with module_on(server, "module-B") as module:
            wait(lambda: port.present)
            assert port.name == "module-B:in"
            port.send(MUTE_6)
            wait(lambda: module.muted == {6})


def test_a_port_of_our_own_follows_its_connections_and_forgets_those_that_were_cut(server: JackServer) -> None:
    with port_on(server, "") as port:
        wait(lambda: port.name)
        assert port.name == "thumbline-mutes:out"
        with module_on(server):
            connect(server, port.name, "module:in")
            wait(lambda: port.present)
            assert port.name == "module:in"
        wait(lambda: not port.present)
        assert port.state["connections"] == ["module:in"], "it may come back"
        with module_on(server):
            wait(lambda: port.present)
            connect(server, "thumbline-mutes:out", "module:in", cut=True)
            wait(lambda: not port.present)
            wait(lambda: port.state["connections"] == [], 10.0 + 1e-9 * FORGET_NS)
            assert port.name == "thumbline-mutes:out"


def test_a_server_that_starts_later_is_found_and_messages_leave_in_order(tmp_path: Path) -> None:
    with jack_server(tmp_path, synchronous=True) as server:
        server.process.terminate()
        server.process.wait(10.0)
        with port_on(server, "module") as port:
            time.sleep(0.5)
            assert not port.present
            again(server)
            with module_on(server) as module:
                wait(lambda: port.present)
                sent = [(string, value) for value in range(1, 40) for string in range(1, 7)]
                for string, value in sent:
                    port.send([0xB0, 101 + string, value])
                wait(lambda: len(module.messages) == len(sent))
                assert port.locked_kib < 1000, "a client's 105 MB take the kernel long to free when it is killed"
                assert [(string, value) for _, string, value in module.messages] == sent
