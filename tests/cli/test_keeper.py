"""The keeper over a real MIDI system: whatever dies, no string stays muted at the receiver."""

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
import pytest

from tests.cli.jack_server import JackServer, jack_server
from tests.cli.midi_receiver import Receiver
from thumbline.cli.keeper_orders import orders_of, read_orders, write_orders
from thumbline.cli.live_memory import ENDED, PLAYING, attach
from thumbline.dsp.live_record import LIVE
from thumbline.dsp.records import BY_PLUCK, EVENTS, HANDOVER, Record
from thumbline.dsp.rig_file import rig_from_dict

BLOCK, RATE = 64, 48000
RIG: dict[str, Any] = {"midi": {"port": "module:in"}}
FEET = {"feet": [{"action": "hold", "number": 64}]}
LOUD = {"bass": {"interval": -24}, "mutes": {"modules": [{"channel": 2}]}}
LIMIT_S = 0.25
"""Within this every string is open at the receiver."""


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
        until = time.monotonic() + limit_s
        while not what():
            assert time.monotonic() < until, "waited in vain"
            time.sleep(0.002)

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
def a_room(folder: Path, *, synchronous: bool = False, feet: dict[str, Any] | None = None) -> Iterator[Room]:
    with jack_server(folder, synchronous=synchronous) as server:
        room = Room(server, folder / "memory", feet)
        try:
            room.settle(6)
            yield room
        finally:
            room.end()


@pytest.fixture
def room(tmp_path: Path) -> Iterator[Room]:
    with a_room(tmp_path) as room:
        yield room


@pytest.fixture
def steady_room(tmp_path: Path) -> Iterator[Room]:
    """One whose server waits for its clients: on a busy machine the other kind leaves blocks out, and messages."""
    with a_room(tmp_path, synchronous=True) as room:
        yield room


@pytest.fixture
def room_with_feet(tmp_path: Path) -> Iterator[Room]:
    with a_room(tmp_path, feet=FEET) as room:
        yield room


def test_hand_overs_arrive_in_order_and_are_counted(steady_room: Room) -> None:
    room = steady_room
    before = len(room.module.messages)
    path = [5, 4, 6, 3, 5, 6, 4]
    for string in path:
        room.desk.hand_over(string)
        time.sleep(0.02)
    room.wait(lambda: room.module.muted == {1, 2, 3, 5, 6})
    muted: set[int] = {1, 2, 3, 4, 5}
    opened = []
    for _, string, value in room.module.messages[before:]:
        if value == 0 and string in muted:
            opened.append(string)
        (muted.discard if value == 0 else muted.add)(string)
    assert opened == path
    assert room.live.keeper.lost == 0
    assert int(room.live.keeper.wait_bins.sum()) >= len(path)
    assert 0.0 < float(room.live.keeper.wire_share) < 1.0


def test_an_engine_that_stops_opens_every_string_and_one_that_goes_on_mutes_them_again(room: Room) -> None:
    at = time.monotonic()
    room.desk.plays = False
    room.wait(lambda: not room.module.muted, 2.0)
    assert (room.module.opened_at(at) or np.inf) - at < LIMIT_S
    room.desk.plays = True
    room.wait(lambda: room.module.muted == {1, 2, 3, 4, 5}, 2.0)


def test_a_console_that_falls_silent_opens_every_string(room: Room) -> None:
    at = time.monotonic()
    room.desk.beats = False
    room.wait(lambda: not room.module.muted, 2.0)
    assert (room.module.opened_at(at) or np.inf) - at < LIMIT_S


def test_a_console_that_has_ended_ends_the_keeper_with_every_string_open(room: Room) -> None:
    with subprocess.Popen([sys.executable, "-c", "import time; time.sleep(60)"]) as console:
        room.live.console.pid = console.pid
        time.sleep(0.1)
        console.kill()
        room.wait(lambda: room.live.keeper.phase == ENDED, 3.0)
    assert not room.module.muted
    assert room.keeper.wait(3.0) == 0
    room.wait(lambda: not room.left(), 3.0)


@pytest.mark.parametrize("feet", [None, FEET], ids=["mutes", "mutes and feet"])
@pytest.mark.parametrize("number", [signal.SIGKILL, signal.SIGSTOP, signal.SIGTERM])
def test_a_keeper_that_dies_or_hangs_is_replaced_and_says_the_whole_state(
    tmp_path: Path, number: signal.Signals, feet: dict[str, Any] | None
) -> None:
    with a_room(tmp_path, feet=feet) as room:
        replace(room, number, 3 if feet is None else 4)


def replace(room: Room, number: signal.Signals, processes: int) -> None:
    pid = int(room.live.keeper.pid)
    room.wait(lambda: len(room.left()) == processes)
    room.wait(lambda: all(room.live.keeper.standby_warm))
    at = time.monotonic()
    os.kill(pid, number)
    room.wait(lambda: int(room.live.keeper.pid) != pid and room.module.opened_at(at), 12.0)
    opened_at = room.module.opened_at(at)
    assert opened_at is not None
    assert opened_at - at < LIMIT_S
    room.wait(lambda: room.module.muted == {1, 2, 3, 4, 5}, 4.0)
    room.wait(lambda: len(room.left()) == processes)


def test_a_module_that_vanishes_is_missed_and_on_its_return_gets_the_whole_state(room: Room) -> None:
    room.module.close()
    room.wait(lambda: not room.live.keeper.port_present, 3.0)
    room.desk.hand_over(5)
    room.module = Receiver(room.server)
    room.wait(lambda: room.module.muted == {1, 2, 3, 4, 6}, 3.0)
    room.wait(lambda: room.live.keeper.port_present, 1.0)


def test_all_open_and_split_off_open_every_string_while_they_last(room: Room) -> None:
    for field, value in (("all_open", 1), ("split", 0)):
        room.live.request[field] = value
        room.wait(lambda: not room.module.muted, 2.0)
        room.live.request[field] = 1 - value
        room.wait(lambda: room.module.muted == {1, 2, 3, 4, 5}, 2.0)


def test_a_foot_switch_asks_for_what_the_rig_says(room_with_feet: Room) -> None:
    room = room_with_feet
    jack = pytest.importorskip("jack")
    press: list[bytes] = []
    floor = jack.Client("floor", no_start_server=True, servername=room.server)
    port = floor.midi_outports.register("out")

    @floor.set_process_callback
    def process(_frames: int) -> None:
        port.clear_buffer()
        if press:
            port.write_midi_event(0, press.pop(0))

    floor.activate()
    try:
        room.wait(lambda: bytes(room.live.keeper.foot_port), 20.0)
        assert not room.live.keeper.foot_present, "nobody has connected it yet"
        floor.connect("floor:out", bytes(room.live.keeper.foot_port).decode())
        room.wait(lambda: room.live.keeper.foot_present, 5.0)
        # A server that runs by the clock of a busy machine leaves blocks out, and messages with them.
        for value in (127, 0):

            def pressed(value: int = value) -> bool:
                press[:] = [bytes([0xB0, 64, value])]
                time.sleep(0.02)
                return room.live.request.hold == (value > 0)

            room.wait(pressed, 5.0)
            assert list(room.live.keeper.foot_last) == [0xB0, 64, value]
    finally:
        floor.deactivate()
        floor.close()


def test_told_to_stop_every_string_is_open_and_nobody_is_left(room: Room) -> None:
    room.live.request.stop = 1
    assert room.keeper.wait(3.0) == 0
    room.wait(lambda: not room.left(), 3.0)
    assert not room.module.muted
    assert room.live.keeper.phase == ENDED


def test_orders_are_read_as_they_were_written(tmp_path: Path) -> None:
    rigs = [rig_from_dict({**RIG, "feet": [{}, {"action": "interval", "number": 3}]}), rig_from_dict({**RIG, **LOUD})]
    write_orders(tmp_path / "memory", rigs)
    assert read_orders(tmp_path / "memory") == orders_of(rigs)


def test_the_keeper_loads_nothing_heavy() -> None:
    code = (
        "import sys, thumbline.cli.keeper\n"
        "print([name for name in ('numba', 'scipy', 'pydantic', 'click', 'mido', 'rich') if name in sys.modules])"
    )
    assert subprocess.check_output([sys.executable, "-c", code], text=True).strip() == "[]"
