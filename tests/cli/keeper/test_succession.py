"""Keepers that die, hang or are stopped: another takes over, and no string stays muted at the receiver."""

import os
import signal
import subprocess
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from tests.helpers.jack_server import jack_server
from tests.helpers.keeper_room import FEET, LIMIT_S, TIMEOUT_S, Room, a_room, everybody_stands_by

pytestmark = pytest.mark.real_time


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
    room.opens_within(LIMIT_S, at)
    room.wait(lambda: int(room.live.keeper.pid) != pid)
    room.wait(lambda: room.module.muted == {1, 2, 3, 4, 5}, 4.0)
    room.wait(lambda: len(room.left()) == processes)


def opens_within(room: Room, limit_s: float, fault: Callable[[], object]) -> None:
    """Make a fault; every string must be open within the time, and muted again once somebody stands by."""
    at = time.monotonic()
    fault()
    room.opens_within(limit_s, at)
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
