"""A stage page over a memory that a test writes, and screens that speak to it as a browser does."""

import json
import os
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import ExitStack, closing, contextmanager
from http.client import HTTPConnection
from pathlib import Path
from typing import Any, Self

import numpy as np
from websockets.sync.client import ClientConnection, connect

from tests.helpers.live_process import wait_until
from thumbline.cli.console.make_memory import create
from thumbline.cli.console.notices import Notice
from thumbline.cli.console.routing import make_routing
from thumbline.cli.page.address import PageAddress
from thumbline.cli.page.stand import Stand
from thumbline.dsp.live.record import PLAYING
from thumbline.dsp.memory.events import BY_PLUCK, EVENTS, HANDOVER, NOTE
from thumbline.dsp.memory.record_type import Record
from thumbline.dsp.memory.records import SOUNDING
from thumbline.dsp.rig.model import Rig

RATE, BLOCK = 48_000, 64
SONGS = [("Slack Water", Rig()), ("Lantern Walk", Rig.model_validate({"bass": {"interval": -24}})), ("Low Tide", Rig())]


def free_port() -> int:
    """A port that nobody listens at; the system gives out others for a while."""
    import socket

    with socket.socket() as tried:
        tried.bind(("127.0.0.1", 0))
        return int(tried.getsockname()[1])


class PageRoom:
    """A page, and in place of engine, keeper and console the test itself."""

    def __init__(self, folder: Path, songs: list[tuple[str, Rig]] | None = None, port: int = 0):
        self.songs = list(songs or SONGS)
        self.memory = folder / "memory"
        self.live: Record = create(
            self.memory, self.songs, rate=RATE, block_frames=BLOCK, routing=make_routing([1], [2])
        )
        self.live.console.pid = os.getpid()
        self.live.engine.rate, self.live.engine.block_frames, self.live.engine.phase = RATE, BLOCK, PLAYING
        self.live.engine.first_block_ns = time.monotonic_ns()
        self.live.request.sound_on = 1
        self.live.state["bass"] = -1
        self.address = PageAddress("127.0.0.1", port or free_port())
        self.stand = Stand(self.memory, self.address, self.songs)
        self.asked: list[tuple[str, int]] = []
        self.told: list[Notice] = []
        self._looking = threading.Event()
        self._thread = threading.Thread(target=self._look, daemon=True)

    def start(self) -> Self:
        self.stand.start(lambda what, to: self.asked.append((what, to)))
        self._thread.start()
        self.code()
        return self

    def _look(self) -> None:
        while not self._looking.wait(0.02):
            self.told += list(self.stand.look())

    def end(self) -> None:
        self.live.request.stop = 1
        self._looking.set()
        self.stand.stop()

    @property
    def pid(self) -> int:
        """The page's process."""
        process = self.stand._process
        assert process is not None
        return process.pid

    @property
    def url(self) -> str:
        return self.address.url

    @property
    def host(self) -> str:
        return f"127.0.0.1:{self.address.port}"

    def code(self) -> str:
        """The code that lets one more screen in."""
        wait_until(lambda: self.stand._code, "the page's process", 60.0)
        assert self.stand._code
        return self.stand._code

    def play(self, string: int, hz: float) -> None:
        """Have the bass pass to a string that sounds."""
        state = self.live.state
        state["strings"][string - 1]["phase"] = SOUNDING
        state["bass"] = string - 1
        self._event(NOTE, string, hz)
        self._event(HANDOVER, string, 0.0)

    def silence(self) -> None:
        """Have no string sound."""
        self.live.state["strings"]["phase"] = 0
        self.live.state["bass"] = -1
        self._event(HANDOVER, 0, 0.0)

    def _event(self, kind: int, string: int, value: float) -> None:
        state, written = self.live.state, int(self.live.state["events_written"])
        event = state["events"][written & (EVENTS - 1)]
        event["frame"], event["kind"], event["string"] = int(self.live.engine.frames), kind, string
        event["value"], event["extra"] = value, BY_PLUCK
        state["events_written"] = written + 1

    def socket(self, **options: Any) -> ClientConnection:
        """Open the page's socket as the page does."""
        return socket_to(self.address.port, **options)

    def get(self, path: str = "/", **headers: str) -> tuple[int, dict[str, str], str]:
        """Ask for a path with these headers; status, headers and text of the answer."""
        connection = HTTPConnection("127.0.0.1", self.address.port, timeout=20)
        with closing(connection):
            connection.request("GET", path, headers=headers)
            answer = connection.getresponse()
            return answer.status, dict(answer.getheaders()), answer.read().decode()

    def screen(self) -> "ScreenByHand":
        """A screen that has been let in."""
        return ScreenByHand(self.address.port, code=self.code())


def socket_to(port: int, **options: Any) -> ClientConnection:
    """Open the socket of a page on this computer, as the page does."""
    options = {"origin": f"http://127.0.0.1:{port}"} | options
    return connect(f"ws://127.0.0.1:{port}/stage", compression=None, open_timeout=20, proxy=None, **options)


class ScreenByHand:
    """A screen without a browser: says that it has seen what comes, unless it stalls."""

    def __init__(self, port: int, **first: str):
        self._stack = ExitStack()
        self.socket = self._stack.enter_context(socket_to(port))
        self.socket.send(json.dumps(first))
        self.answer: dict[str, Any] = json.loads(self.socket.recv(20))
        self.ticket = self.answer.get("ticket", "")
        self.number = 0

    def view(self, timeout_s: float = 20.0) -> dict[str, Any]:
        """The next view."""
        while True:
            said = json.loads(self.socket.recv(timeout_s))
            if "view" in said:
                self.number = said["n"]
                self.say(seen=self.number)
                return said["view"]

    def until(self, condition: Any, seconds: float = 20.0) -> dict[str, Any]:
        """The first view for which ``condition`` holds."""
        begun = time.monotonic()
        while not condition(view := self.view()):
            assert time.monotonic() - begun < seconds, "waited in vain for a view"
        return view

    def ask(self, what: str, to: Any, seen: int | None = None) -> None:
        self.say(do=what, to=to, seen=self.number if seen is None else seen)

    def say(self, **what: object) -> None:
        self.socket.send(json.dumps(what))

    def refusal(self) -> dict[str, Any]:
        """The next answer that refuses a touch."""
        while "reason" not in (said := json.loads(self.socket.recv(20))):
            self.number = said.get("n", self.number)
            self.say(seen=self.number)
        return said

    def close(self) -> None:
        self._stack.close()


@contextmanager
def a_page(folder: Path, songs: list[tuple[str, Rig]] | None = None) -> Iterator[PageRoom]:
    """Run a page; nothing is left running."""
    room = PageRoom(folder, songs)
    try:
        yield room.start()
    finally:
        room.end()


FLOOD = """
import socket, sys
place = ("127.0.0.1", int(sys.argv[1]))
print("begun", flush=True)
kept = []
asks = [b"", b"GET / HTTP/1.1\\r\\n", b"GET / HTTP/1.1\\r\\nHost: 127.0.0.1:%d\\r\\n\\r\\n" % place[1], b"\\0" * 9000]
while True:
    for ask in asks:
        try:
            one = socket.create_connection(place, 1.0)
            one.sendall(ask)
            kept.append(one)
        except OSError:
            pass
    kept = kept[-400:]
"""


@contextmanager
def a_flood(port: int) -> Iterator[None]:
    """Have another process ask as fast as it can."""
    with subprocess.Popen([sys.executable, "-c", FLOOD, str(port)], stdout=subprocess.PIPE) as flood:
        try:
            assert flood.stdout is not None
            assert flood.stdout.readline() == b"begun\n"
            yield
        finally:
            flood.kill()


def note_hz(midi: float) -> float:
    """Frequency of a key at A4 = 440 Hz (ISO 16)."""
    return float(440.0 * np.exp2((midi - 69.0) / 12.0))
