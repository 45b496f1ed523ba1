"""The keeper over a real MIDI system: whatever dies, no string stays muted at the receiver."""

import os
import subprocess
import sys
import time
from pathlib import Path

import pytest

from tests.helpers.jack_server import again, jack_server
from tests.helpers.keeper_room import FEET, LIMIT_S, LOUD, RIG, Room, a_room, everybody_stands_by
from tests.helpers.midi_receiver import Receiver
from thumbline.cli.keeper.orders import orders_of, read_orders, write_orders
from thumbline.cli.shared.live_memory import ENDED
from thumbline.dsp.rig.file import rig_from_dict

pytestmark = pytest.mark.real_time


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
    room.opens_within(LIMIT_S, at)
    room.desk.plays = True
    room.wait(lambda: room.module.muted == {1, 2, 3, 4, 5}, 2.0)


def test_a_console_that_falls_silent_opens_every_string(room: Room) -> None:
    at = time.monotonic()
    room.desk.beats = False
    room.opens_within(LIMIT_S, at)


def test_a_console_that_has_ended_ends_the_keeper_with_every_string_open(room: Room) -> None:
    with subprocess.Popen([sys.executable, "-c", "import time; time.sleep(60)"]) as console:
        room.live.console.pid = console.pid
        time.sleep(0.1)
        console.kill()
        room.wait(lambda: room.live.keeper.phase == ENDED, 3.0)
    assert not room.module.muted
    assert room.keeper.wait(3.0) == 0
    room.wait(lambda: not room.left(), 3.0)


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
