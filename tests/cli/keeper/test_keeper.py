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

from tests.helpers.jack_server import JackServer, again, jack_server
from tests.helpers.midi_receiver import Receiver
from thumbline.cli.keeper.orders import orders_of, read_orders, write_orders
from thumbline.cli.shared.live_memory import ENDED, PLAYING, attach
from thumbline.dsp.live.record import LIVE
from thumbline.dsp.memory.events import BY_PLUCK, EVENTS, HANDOVER
from thumbline.dsp.memory.record_type import Record
from thumbline.dsp.rig.file import rig_from_dict

pytestmark = pytest.mark.real_time

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
def quick_room(tmp_path: Path) -> Iterator[Room]:
    """One whose server waits for dead clients no longer than JACK does by default."""
    with a_room(tmp_path, client_timeout_ms=500) as room:
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


def everybody_stands_by(room: Room) -> None:
    room.wait(lambda: all(room.live.keeper.standby_warm) and len(room.module.muted) == 5)


def opens_within(room: Room, limit_s: float, fault: Callable[[], object]) -> None:
    """Make a fault; every string must be open within the time, and muted again once somebody stands by."""
    at = time.monotonic()
    fault()
    room.wait(lambda: room.module.opened_at(at), 12.0)
    opened_s = (room.module.opened_at(at) or np.inf) - at
    print(f"open after {1e3 * opened_s:.0f} ms")
    assert opened_s < limit_s
    everybody_stands_by(room)


def test_nothing_is_muted_before_somebody_could_take_over(tmp_path: Path) -> None:
    with jack_server(tmp_path) as server:
        room = Room(server, tmp_path / "memory")
        try:
            room.wait(lambda: room.live.keeper.port_present)
            muted_while_alone = False
            room.desk.hand_over(6)
            while not any(room.live.keeper.standby_warm):
                muted_while_alone |= bool(room.module.muted)
                time.sleep(0.002)
            assert not muted_while_alone
            assert bytes(room.live.keeper.forced) in (b"nobody stands by", b"")
            room.wait(lambda: room.module.muted == {1, 2, 3, 4, 5})
        finally:
            room.end()


def test_two_keepers_killed_at_once_and_then_two_more_leave_no_string_muted(quick_room: Room) -> None:
    room = quick_room
    for _ in range(2):
        everybody_stands_by(room)
        pids = int(room.live.keeper.pid), int(room.live.keeper.standby_pid[0])
        opens_within(room, LIMIT_S + TIMEOUT_S, lambda pids=pids: [os.kill(pid, signal.SIGKILL) for pid in pids])


def test_one_who_stands_by_and_is_stopped_is_replaced_and_the_keeper_may_die_at_the_same_time(quick_room: Room) -> None:
    room = quick_room
    everybody_stands_by(room)
    stopped = int(room.live.keeper.standby_pid[1])
    os.kill(stopped, signal.SIGSTOP)
    room.wait(lambda: stopped not in [*room.left(), *map(int, room.live.keeper.standby_pid)])
    everybody_stands_by(room)
    stopped, charged = int(room.live.keeper.standby_pid[0]), int(room.live.keeper.pid)

    def fault() -> None:
        os.kill(stopped, signal.SIGSTOP)
        os.kill(charged, signal.SIGKILL)

    # The server lets go of two dead clients one after the other, and may wait for each.
    opens_within(room, LIMIT_S + 2.0 * TIMEOUT_S, fault)
    assert stopped not in room.left()


def test_all_who_stand_by_stopped_opens_every_string_until_others_do(quick_room: Room) -> None:
    room = quick_room
    everybody_stands_by(room)
    pids = [int(pid) for pid in room.live.keeper.standby_pid]
    opens_within(room, LIMIT_S, lambda: [os.kill(pid, signal.SIGSTOP) for pid in pids])


@pytest.mark.parametrize("number", [signal.SIGKILL, signal.SIGSTOP])
def test_a_successor_takes_over_the_connections_of_our_own_port(tmp_path: Path, number: signal.Signals) -> None:
    with jack_server(tmp_path, client_timeout_ms=500) as server:
        room = Room(server, tmp_path / "memory", {"midi": {"port": ""}})
        try:
            room.wait(lambda: bytes(room.live.keeper.port))
            room.desk.hand_over(6)
            time.sleep(0.3)
            assert not any(room.live.keeper.closed), "nothing is muted while nothing is connected"
            source = bytes(room.live.keeper.port).decode()
            environment = os.environ | server.environment
            subprocess.run(["jack_connect", source, "module:in"], env=environment, check=True)
            for _ in range(2):
                everybody_stands_by(room)
                pid = int(room.live.keeper.pid)
                opens_within(room, LIMIT_S, lambda pid=pid: os.kill(pid, number))
                assert int(room.live.keeper.pid) != pid
        finally:
            room.end()


def test_a_server_that_restarts_has_every_string_opened_and_then_as_played(tmp_path: Path) -> None:
    with jack_server(tmp_path, client_timeout_ms=500) as server:
        room = Room(server, tmp_path / "memory", FEET)
        try:
            room.settle(6)
            everybody_stands_by(room)
            pid, feet = int(room.live.keeper.pid), int(room.live.keeper.feet_pid)
            server.process.kill()
            server.process.wait(5.0)
            room.wait(lambda: not room.live.keeper.port_present)
            assert not any(room.live.keeper.closed), "nothing counts as muted while nothing can be sent"
            room.module.close()
            again(server)
            room.module = Receiver(server.name)
            room.wait(lambda: room.module.muted == {1, 2, 3, 4, 5})
            first = {string: value for _, string, value in reversed(room.module.messages)}
            assert set(first.values()) == {0}, "every string is opened first"
            room.desk.hand_over(5)
            room.wait(lambda: room.module.muted == {1, 2, 3, 4, 6})
            everybody_stands_by(room)
            assert (pid, feet) == (int(room.live.keeper.pid), int(room.live.keeper.feet_pid))
            subprocess.run(["jack_lsp"], env=os.environ | server.environment, check=True, capture_output=True)
        finally:
            room.end()
            server.end()


def test_a_momentary_switch_ends_with_its_port(tmp_path: Path) -> None:
    with a_room(tmp_path, feet=FEET) as room:
        jack = pytest.importorskip("jack")
        floor = jack.Client("floor", no_start_server=True, servername=room.server)
        port = floor.midi_outports.register("out")
        sends = [True]

        @floor.set_process_callback
        def process(_frames: int) -> None:
            port.clear_buffer()
            if sends[0]:
                port.write_midi_event(0, bytes([0xB0, 64, 127]))

        floor.activate()
        room.wait(lambda: bytes(room.live.keeper.foot_port))
        floor.connect("floor:out", bytes(room.live.keeper.foot_port).decode())
        room.wait(lambda: room.live.request.hold)
        sends[0] = False
        time.sleep(0.05)
        floor.deactivate()
        floor.close()
        room.wait(lambda: not room.live.request.hold)


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
        "import sys, thumbline.cli.keeper.keeper\n"
        "print([name for name in ('numba', 'scipy', 'pydantic', 'click', 'mido', 'rich') if name in sys.modules])"
    )
    assert subprocess.check_output([sys.executable, "-c", code], text=True).strip() == "[]"
