"""Signs of life for the sound module: as often as MIDI 1.0 asks (FEh within 300 ms), through a keeper's death."""

import os
import signal
from pathlib import Path

import numpy as np
import pytest

from tests.helpers.jack_server import jack_server
from tests.helpers.live_process import LiveProcess, wait_until
from tests.helpers.midi_receiver import Receiver
from thumbline.cli.keeper.keep_alive import ACTIVE_SENSING, KeepAlive
from thumbline.cli.keeper.orders import orders_of
from thumbline.dsp.errors import InputError
from thumbline.dsp.rig.file import rig_from_dict

MS = 1_000_000


def test_active_sensing_comes_when_nothing_else_has_for_a_while() -> None:
    alive = KeepAlive(ACTIVE_SENSING)
    sent = [now for now in range(0, 1000 * MS, MS) if alive.due(now)]
    assert max(np.diff(sent)) <= 100 * MS
    alive.others(1050 * MS)
    assert not alive.due(1100 * MS), "another message says the same"
    assert alive.due(1150 * MS) == [(0xFE,)]


def test_a_chosen_message_comes_whatever_else_does_and_none_if_it_is_off() -> None:
    alive, off = KeepAlive((0xB0, 99, 127)), KeepAlive(())
    assert alive.due(0) == [(0xB0, 99, 127)]
    alive.others(50 * MS)
    assert alive.due(100 * MS) == [(0xB0, 99, 127)]
    assert not off.due(0)


def test_the_rig_says_which() -> None:
    def told(**midi: object) -> tuple[int, ...]:
        return orders_of([rig_from_dict({"midi": midi})]).keep_alive

    assert told() == ()
    assert told(keep_alive="active sensing") == (0xFE,)
    assert told(keep_alive="message", keep_alive_message=[0xC0, 5]) == (0xC0, 5)


@pytest.mark.parametrize(
    ("message", "why"),
    [
        ([], "a whole channel message"),
        ([0xB0, 99], "a whole channel message"),
        ([99, 99, 99], "a whole channel message"),
        ([0xB0, 99, 200], "a whole channel message"),
        ([0xB0, 123, 0], "a controller up to 119"),
        ([0xB0, 104, 127], 'which moves a mute of "bass module"'),
    ],
)
def test_a_message_that_is_none_or_would_mute_a_string_is_refused(message: list[int], why: str) -> None:
    with pytest.raises(InputError, match=why):
        rig_from_dict({"midi": {"keep_alive": "message", "keep_alive_message": message}})


@pytest.mark.real_time
def test_active_sensing_goes_on_when_the_keeper_is_killed(tmp_path: Path) -> None:
    rig = tmp_path / "rig.toml"
    rig.write_text('midi = { keep_alive = "active sensing", resend_s = 0.0 }\n')
    with jack_server(tmp_path, client_timeout_ms=500) as server:
        module = Receiver(server.name)
        with LiveProcess(
            *("--rig", rig, "--take", "data/demo.flac", "--midi", "module"), environment=server.environment
        ) as live:
            keeper = live.record.keeper
            wait_until(lambda: all(keeper.standby_warm), "two that stand by")
            wait_until(lambda: len(module.signs_of_life) > 5, "active sensing")
            first = int(keeper.pid)
            os.kill(first, signal.SIGKILL)
            wait_until(lambda: int(keeper.pid) != first, "the next keeper")
            count = len(module.signs_of_life)
            wait_until(lambda: len(module.signs_of_life) > count + 5, "active sensing from the next")
            times = sorted([*module.signs_of_life, *(at_s for at_s, _, _ in module.messages)])
        module.close()
    gaps = np.diff(times[times.index(module.signs_of_life[0]) :])
    assert max(gaps) < 0.3
