"""The frames that come at a time are found from the times at which blocks come, whatever the machine does beside."""

import numpy as np
import pytest

from thumbline.dsp.live.arrival import SURE, note_arrival
from thumbline.dsp.live.record import LIVE
from thumbline.dsp.memory.record_type import Record

RATE = 48_000


@pytest.fixture
def engine() -> Record:
    engine = np.zeros(1, LIVE)[0].engine
    engine.rate = RATE
    return engine


def come(engine: Record, period: int, block: int, seconds: float, jitter_s: float = 0.0, work_s: float = 30e-6) -> None:
    """Blocks as a sound system hands them over that gathers ``period`` frames: when enough are there, one by one."""
    rng = np.random.default_rng(3)
    begun = int(engine.block_at_ns) + 10**9
    total = round(seconds * RATE)
    given = 0
    for gathered in range(period, total, period):
        at = begun + 1e9 * (gathered / RATE + rng.exponential(jitter_s or 1e-9))
        while given + block <= gathered:
            note_arrival(engine, block, round(at))
            engine.block_at_ns = round(at)
            engine.blocks += 1
            at += 1e9 * work_s
            given += block


@pytest.mark.parametrize(("period", "block"), [(64, 64), (1024, 64), (256, 64), (1024, 256), (512, 512), (96, 32)])
@pytest.mark.parametrize("jitter_s", [0.0, 0.0001])
def test_the_period_is_what_comes_at_a_time(engine: Record, period: int, block: int, jitter_s: float) -> None:
    come(engine, period, block, 2.0, jitter_s)
    assert engine.period_frames == period


def test_a_period_that_is_no_whole_number_of_blocks_is_told_to_a_block(engine: Record) -> None:
    come(engine, 1000, 64, 4.0)
    assert abs(int(engine.period_frames) - 1000) < 64


def test_nothing_is_said_before_enough_has_come(engine: Record) -> None:
    come(engine, 64, 64, (SURE - 2) * 64 / RATE)
    assert engine.period_frames == 0


def test_a_period_that_changes_while_playing_is_found_again(engine: Record) -> None:
    come(engine, 64, 64, 2.0)
    come(engine, 1024, 64, 4.0)
    assert engine.period_frames == 1024
