"""The walk through everything, on a record of its own: short moments are seen however seldom it looks."""

import os
from pathlib import Path
from typing import Any

import pytest

from thumbline.cli.keeper.feet import Feet
from thumbline.cli.keeper.orders import orders_of
from thumbline.cli.readiness.walk import Walk
from thumbline.cli.shared.live_memory import attach
from thumbline.dsp.live.record import LIVE
from thumbline.dsp.memory.record_type import Record
from thumbline.dsp.rig.model import Rig

RIG = Rig.model_validate({"midi": {"port": "module"}, "feet": [{"action": "hold", "number": 81}]})


@pytest.fixture
def live(tmp_path: Path) -> Record:
    with (tmp_path / "memory").open("xb") as file:
        os.truncate(file.fileno(), LIVE.itemsize)
    live = attach(tmp_path / "memory")
    live.setting_count, live.params["ratio"] = 1, 0.5
    live.keeper.port_present = live.keeper.foot_present = 1
    return live


def walk(folder: Path, told: list[str], longest_s: float = 100.0) -> Walk:
    """A walk on which every string has been heard."""
    walk = Walk(RIG, longest_s, told.append)
    walk.start({"memory": str(folder / "memory")})
    heard: list[dict[str, Any]] = [{"event": "note", "string": string} for string in range(1, 7)]
    walk.events([{"event": "playing"}, *heard])
    return walk


def missing(walk: Walk, told: list[str]) -> str:
    """What the player still has to do, as the walk says at its next look."""
    told.clear()
    walk._told_s = 0.0
    walk.show(pytest.fail)
    return told[0].partition(": ")[2] if told else ""


def test_a_press_and_mutes_between_two_looks_are_seen(tmp_path: Path, live: Record) -> None:
    told: list[str] = []
    under_way = walk(tmp_path, told)
    assert missing(under_way, told) == "press hold"
    feet = Feet(live, orders_of([RIG]))
    feet.answer((0xB0, 81, 127))
    feet.answer((0xB0, 81, 0))
    assert live.keeper.foot_down == 0, "the switch has been let go before the next look"
    assert missing(under_way, told) == "play all strings once more, one after the other"
    live.keeper.reopened[:5] = 1  # as the keeper counts; no mute is closed at the next look
    assert missing(under_way, told) == "play all strings once more, one after the other"
    live.keeper.reopened[5] = 1
    assert missing(under_way, told) == ""
