"""A keeper over a real MIDI system, and a stand-in for the engine and the console."""

import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any

import numpy as np

from tests.helpers.jack_server import JackServer, jack_server
from tests.helpers.lateness import longest_late_s, reach
from tests.helpers.midi_receiver import Receiver
from thumbline.cli.keeper.orders import write_orders
from thumbline.cli.shared.live_memory import PLAYING, attach
from thumbline.dsp.live.record import LIVE
from thumbline.dsp.memory.events import BY_PLUCK, EVENTS, HANDOVER
from thumbline.dsp.memory.record_type import Record
from thumbline.dsp.rig.file import rig_from_dict

BLOCK, RATE = 64, 48000
RIG: dict[str, Any] = {"midi": {"port": "module:in"}}
FEET = {"feet": [{"action": "hold", "number": 64}]}
LOUD = {"bass": {"interval": -24}, "mutes": {"modules": [{"channel": 2}]}}
LIMIT_S = 0.25
"""Within this every string is open at the receiver."""
TIMEOUT_S = 0.5
"""JACK's client time-out, by which a server that has to let go of two dead clients at once may be later."""


class Desk(threading.Thread):
    """Stands in for the engine and the console: serves blocks by the clock, hands over, and beats."""

    def __init__(self, live: Record):
        super().__init__(daemon=True)
        self.live, self.plays, self.beats, self.running = live, True, True, True
        live.engine.rate, live.engine.block_frames = RATE, BLOCK
        live.engine.started_ns = live.engine.block_at_ns = live.console.beat_ns = time.monotonic_ns()
        live.engine.phase = PLAYING
        live.console.pid = os.getpid()

    def run(self) -> None:
        while self.running:
            now = time.monotonic_ns()
            if self.plays:
                self.live.engine.frames += BLOCK
                self.live.engine.block_at_ns = now
            if self.beats:
                self.live.console.beat_ns = now
            time.sleep(BLOCK / RATE)

    def hand_over(self, string: int) -> None:
        state = self.live.state
        written = int(state["events_written"])
        event = state["events"][written & (EVENTS - 1)]
        event["frame"], event["kind"] = int(self.live.engine.frames), HANDOVER
        event["string"], event["extra"] = string, BY_PLUCK
        state["bass"] = string - 1
        state["events_written"] = written + 1


class Room:
    """All that a test needs."""

    def __init__(self, server: JackServer, memory: Path, feet: dict[str, Any] | None = None):
        self.server = server.name
        self.module = Receiver(server.name)
        self.memory, self._environment = memory, os.environ | server.environment
        with memory.open("xb") as file:
            os.truncate(file.fileno(), LIVE.itemsize)
        self.live = attach(memory)
        self.live.request.split, self.live.request.interval, self.live.state["bass"] = 1, np.nan, -1
        self.live.setting_count = 2
        write_orders(memory, [rig_from_dict(RIG | (feet or {})), rig_from_dict({**RIG, **LOUD})])
        self.desk = Desk(self.live)
        self.desk.start()
        self.keeper = self.start()

    def start(self) -> "subprocess.Popen[bytes]":
        command = [sys.executable, "-m", "thumbline.cli.keeper", str(self.memory)]
        return subprocess.Popen(command, env=self._environment, start_new_session=True)

    def wait(self, what: Callable[[], Any], limit_s: float = 20.0) -> None:
        reach(what, limit_s, "waited in vain")

    def opens_within(self, limit_s: float, since_s: float) -> None:
        """Every string must have been open within that time, and the longest for which the machine let nobody work."""
        self.wait(lambda: self.module.opened_at(since_s), 12.0)
        opened_s = (self.module.opened_at(since_s) or np.inf) - since_s
        assert opened_s < limit_s + longest_late_s(since_s, opened_s)

    def settle(self, string: int) -> None:
        """Let ``string`` have the bass and the others be muted at the receiver, and somebody stand by."""
        self.wait(lambda: int(self.live.keeper.phase) == PLAYING)
        self.desk.hand_over(string)
        self.wait(lambda: self.module.muted == set(range(1, 7)) - {string})

    def left(self) -> list[int]:
        found = subprocess.run(["pgrep", "-f", str(self.memory)], capture_output=True, text=True, check=False)
        return [int(word) for word in found.stdout.split()]

    def end(self) -> None:
        self.live.request.stop = 1
        with suppress(AssertionError):
            self.wait(lambda: not self.left(), 3.0)
        for pid in self.left():
            with suppress(ProcessLookupError):
                os.kill(pid, signal.SIGKILL)
        self.desk.running = False
        self.module.close()
        self.keeper.wait(3.0)


@contextmanager
def a_room(
    folder: Path, *, synchronous: bool = False, feet: dict[str, Any] | None = None, client_timeout_ms: int = 5000
) -> Iterator[Room]:
    with jack_server(folder, synchronous=synchronous, client_timeout_ms=client_timeout_ms) as server:
        room = Room(server, folder / "memory", feet)
        try:
            room.settle(6)
            yield room
        finally:
            room.end()


def everybody_stands_by(room: Room) -> None:
    room.wait(lambda: all(room.live.keeper.standby_warm) and len(room.module.muted) == 5)
