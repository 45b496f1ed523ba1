"""The keeper's rounds on a record of its own, without a MIDI system: what is sent when, and what is never left muted.

Over a real MIDI system: tests/cli/keeper/test_keeper.py.
"""

import os
import time
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from thumbline.cli.keeper.orders import orders_of
from thumbline.cli.keeper.rounds import BEGIN_NS, Keeper
from thumbline.cli.shared.live_memory import PLAYING, attach
from thumbline.dsp.live.record import LIVE
from thumbline.dsp.memory.events import BY_PLUCK, END, EVENTS, HANDOVER, LOCK, PLUCK
from thumbline.dsp.memory.record_type import Record
from thumbline.dsp.rig.file import rig_from_dict

#: Controllers of the first module, string 1 first.
CONTROLLERS = [102, 103, 104, 105, 106, 107]


def module(channel: int) -> dict[str, Any]:
    return {"channel": channel, "controllers": CONTROLLERS, "unmuted_value": 0, "muted_value": 127}


class Out:
    """Stands in for a port."""

    wanted, name = "module", "module:in"
    connections, place = (), "here"

    def __init__(self) -> None:
        self.present, self.returned, self.protected = True, False, True
        self.messages: list[tuple[int, ...]] = []

    def send(self, message: Sequence[int]) -> bool:
        if self.present:
            self.messages.append(tuple(message))
        return self.present

    def look(self, now_ns: int) -> bool:
        returned, self.returned = self.returned, False
        return returned

    def taken(self) -> list[tuple[int, ...]]:
        messages, self.messages = self.messages, []
        return messages


class Stage:
    def __init__(self, path: Path, settings: Sequence[dict[str, Any]]) -> None:
        with path.open("xb") as file:
            os.truncate(file.fileno(), LIVE.itemsize)
        self.live: Record = attach(path)
        live = self.live
        live.request.split, live.request.interval, live.state["bass"] = 1, np.nan, -1
        live.setting_count, live.params["ratio"] = len(settings), 0.5
        live.engine.rate, live.engine.block_frames, live.engine.started_ns = 48000, 64, 1
        live.engine.phase, live.engine.pid, live.console.pid = PLAYING, os.getpid(), os.getpid()
        self.out, self.somebody = Out(), True
        port: Any = self.out
        orders = orders_of([rig_from_dict(each) for each in settings])
        self.keeper = Keeper(live, orders, port, lambda _now: self.somebody)
        self.keeper.begin()
        self.keeper._begun_ns -= BEGIN_NS
        self.round()

    def round(self) -> bool:
        self.keeper._port_looked_ns = 0
        self.live.engine.block_at_ns = self.live.console.beat_ns = time.monotonic_ns()
        return self.keeper.round()

    def event(self, kind: int, string: int, value: float = 0.0, extra: float = 0.0, level: float = -20.0) -> None:
        written = int(self.live.state["events_written"])
        event = self.live.state["events"][written & (EVENTS - 1)]
        event["kind"], event["string"], event["value"], event["extra"], event["level"] = (
            *(kind, string, value, extra, level),
        )
        if kind == HANDOVER:
            self.live.state["bass"] = string - 1
        self.live.state["events_written"] = written + 1

    def muted(self, channel: int, messages: Sequence[tuple[int, ...]]) -> set[int]:
        """Strings that are muted on a channel after all of ``messages``."""
        last = {message[1]: message[2] for message in messages if message[0] == 0xB0 + channel - 1}
        return {CONTROLLERS.index(number) + 1 for number, value in last.items() if number in CONTROLLERS and value}


@pytest.fixture
def stage(tmp_path: Path) -> Stage:
    quiet = {"midi": {"resend_s": 0.0}}
    return Stage(
        tmp_path / "memory",
        [
            {**quiet, "mutes": {"modules": [module(1)]}},
            {**quiet, "mutes": {"modules": [module(1)], "order": "mute first"}},
            {**quiet, "mutes": {"modules": [module(2)]}},
        ],
    )


def test_a_hand_over_mutes_the_others_and_its_time_from_the_pluck_is_counted(stage: Stage) -> None:
    stage.out.taken()
    stage.event(HANDOVER, 6, extra=BY_PLUCK)
    assert stage.round()
    assert stage.muted(1, stage.out.taken()) == {1, 2, 3, 4, 5}
    assert stage.live.keeper.wait_bins.sum() == 1
    assert stage.live.keeper.events_read == 1


def test_a_mute_that_was_closed_for_one_round_alone_is_counted_when_it_opens(stage: Stage) -> None:
    stage.event(HANDOVER, 6)
    stage.round()
    stage.event(HANDOVER, 2)
    stage.round()
    stage.event(HANDOVER, 6)
    stage.round()
    assert list(stage.live.keeper.reopened[:6]) == [0, 1, 0, 0, 0, 1]
    assert list(stage.live.keeper.closed[:6]) == [0] * 6, "too short to be seen: what is closed is told every 10 ms"
    stage.live.request.all_open = 1
    stage.round()
    assert list(stage.live.keeper.reopened[:6]) == [1, 2, 1, 1, 1, 1]


def test_a_mute_that_opens_while_the_port_is_away_counts_when_the_port_is_back(stage: Stage) -> None:
    stage.event(HANDOVER, 6)
    stage.round()
    stage.out.present = False
    stage.live.request.all_open = 1
    stage.round()
    assert list(stage.live.keeper.reopened[:6]) == [0] * 6
    stage.out.present = stage.out.returned = True
    stage.round()
    assert list(stage.live.keeper.reopened[:6]) == [1, 1, 1, 1, 1, 0]


def test_a_setting_with_other_modules_leaves_the_old_ones_open_and_tells_the_new_ones_all(stage: Stage) -> None:
    stage.event(HANDOVER, 6)
    stage.round()
    stage.out.taken()
    stage.live.engine.setting = 2
    stage.round()
    messages = stage.out.taken()
    assert stage.muted(1, messages) == set()
    assert {message[1] for message in messages if message[0] == 0xB0} == set(CONTROLLERS)
    assert stage.muted(2, messages) == {1, 2, 3, 4, 5}


def test_a_setting_with_another_order_alone_changes_no_mute(stage: Stage) -> None:
    stage.event(HANDOVER, 6)
    stage.round()
    stage.out.taken()
    stage.live.engine.setting = 1
    stage.round()
    assert stage.muted(1, stage.out.taken()) == {1, 2, 3, 4, 5}


def test_a_setting_that_comes_while_all_is_open_mutes_nothing_until_that_is_over(stage: Stage) -> None:
    stage.event(HANDOVER, 6)
    stage.live.request.all_open = 1
    stage.round()
    stage.live.engine.setting = 2
    stage.out.taken()
    stage.round()
    assert stage.muted(2, stage.out.taken()) == set()
    stage.live.request.all_open = 0
    stage.round()
    assert stage.muted(2, stage.out.taken()) == {1, 2, 3, 4, 5}


def test_where_the_ring_went_round_the_bass_of_the_moment_holds_and_the_loss_is_counted(stage: Stage) -> None:
    stage.out.taken()
    for _ in range(EVENTS + 10):
        stage.event(PLUCK, 1)
    stage.live.state["bass"] = 4
    stage.round()
    stage.round()
    assert stage.live.keeper.lost == 10
    stage.event(HANDOVER, 5)
    stage.round()
    assert stage.muted(1, stage.out.taken()) == {1, 2, 3, 4, 6}


def test_an_engine_started_afresh_is_gone_by_from_what_it_says_now(stage: Stage) -> None:
    stage.event(HANDOVER, 6)
    stage.round()
    stage.live.state["bass"] = -1
    stage.live.engine.started_ns = 2
    stage.round()
    stage.round()
    stage.event(HANDOVER, 4)
    stage.round()
    assert stage.muted(1, stage.out.taken()) == {1, 2, 3, 5, 6}


def test_a_port_that_returns_is_told_the_whole_state(stage: Stage) -> None:
    stage.event(HANDOVER, 6)
    stage.round()
    stage.out.present = False
    stage.event(HANDOVER, 5)
    stage.round()
    stage.out.taken()
    stage.out.present = stage.out.returned = True
    stage.round()
    assert stage.muted(1, stage.out.taken()) == {1, 2, 3, 4, 6}


def test_told_to_stop_it_opens_every_string_several_times(stage: Stage) -> None:
    stage.event(HANDOVER, 6)
    stage.round()
    stage.live.request.stop = 1
    assert not stage.round()
    stage.out.taken()
    stage.keeper.end()
    messages = stage.out.taken()
    assert stage.muted(1, messages) == set()
    assert len(messages) >= 3 * len(CONTROLLERS)


def test_the_bass_line_is_sent_as_notes_that_stop_whenever_the_strings_are_forced_open(tmp_path: Path) -> None:
    stage = Stage(tmp_path / "memory", [{"midi": {"bass_notes": True, "bass_channel": 3, "resend_s": 0.0}}])
    stage.live.params["typical_power"] = 1e6
    begun = [message for message in stage.out.taken() if message[0] in (0xB2, 0xE2)]
    assert begun[0] == (0xB2, 123, 0)  # MIDI 1.0 Detailed Specification 4.2.1, page 20: all notes off
    stage.event(HANDOVER, 6)
    stage.event(LOCK, 6, value=82.407)
    stage.round()
    notes = [message for message in stage.out.taken() if message[0] & 0xEF == 0x82]
    assert [message[:2] for message in notes] == [(0x92, 28)], "E2 an octave down"
    stage.live.request.interval = -24.0
    stage.event(LOCK, 6, value=82.407)
    stage.round()
    notes = [message for message in stage.out.taken() if message[0] & 0xEF == 0x82]
    assert [message[:2] for message in notes] == [(0x82, 28), (0x92, 16)]
    stage.live.request.split = 0
    stage.round()
    assert (0x82, 16, 64) in stage.out.taken()
    stage.event(HANDOVER, 5)
    stage.event(LOCK, 5, value=110.0)
    stage.event(END, 5)
    stage.round()
    assert not [message for message in stage.out.taken() if message[0] & 0xEF == 0x82]
    stage.out.returned = True
    stage.round()
    assert (0xB2, 123, 0) in stage.out.taken()
