"""Levels of strings over a take, against signals whose level is known."""

from collections.abc import Callable

import numpy as np
import pytest

from thumbline.dsp.memory.events import PLUCK
from thumbline.dsp.memory.records import ANALYSIS_STEP
from thumbline.dsp.notebook.levels import STEP_S, loudest_now, measure_levels
from thumbline.dsp.processor.analysis_signal import LOWEST_DB, analysis_signal
from thumbline.dsp.processor.processor import Processor
from thumbline.dsp.rig.model import Rig
from thumbline.dsp.synthetic.string_model import Pluck, Signal

RATE = 48_000


def tone(seconds: float, amplitude: float, hz: float = 400.0) -> Signal:
    time_s = np.arange(round(seconds * RATE)) / RATE
    frames = np.zeros((len(time_s), 6))
    frames[:, 2] = amplitude * np.sin(2 * np.pi * hz * time_s)
    return frames


@pytest.mark.parametrize("amplitude", [1.0, 0.1, 0.001])
def test_a_sine_has_the_rms_level_that_its_amplitude_says(amplitude: float) -> None:
    levels = measure_levels(tone(0.5, amplitude), Rig(), RATE)
    expected_db = 20 * np.log10(amplitude / np.sqrt(2))
    np.testing.assert_allclose(levels.level_db[10:, 2], expected_db, atol=0.3)
    # A millisecond of 400 Hz is less than half a wave: its loudest is up to 3 dB more.
    assert (levels.loudest_db[10:, 2] >= levels.level_db[10:, 2] - 0.01).all()
    assert (levels.loudest_db[10:, 2] <= expected_db + 3.1).all()
    assert (levels.level_db[:, [0, 1, 3, 4, 5]] == LOWEST_DB).all()


def test_steps_are_a_hundredth_of_a_second_and_the_rest_of_one_is_left_out() -> None:
    levels = measure_levels(tone(0.128, 0.1), Rig(), RATE)
    np.testing.assert_allclose(levels.times_s, STEP_S * (np.arange(12) + 0.5))
    assert measure_levels(np.zeros((0, 6)), Rig(), RATE).loudest_db.shape == (0, 6)


def test_bleed_is_taken_out_before_levels_are_measured() -> None:
    matrix = np.eye(6)
    matrix[3, 2] = 0.1
    frames = tone(0.3, 0.5) @ matrix.T
    with_bleed = measure_levels(frames, Rig(), RATE).level_db[10:, 3]
    rig = Rig.model_validate({"bleed": {"matrix": matrix.tolist()}})
    assert (with_bleed > -35.0).all()
    assert (measure_levels(frames, rig, RATE).level_db[10:, 3] < -90.0).all()


def test_a_pluck_is_heard_when_the_loudest_millisecond_passes_the_threshold(play: Callable[..., Signal]) -> None:
    frames = play({5: Pluck(0.1, 45.0)}, 0.3)
    rig = Rig.model_validate({"detect": {"on_db": [-40.0] * 6, "off_db": [-60.0] * 6}})
    levels = measure_levels(frames, rig, RATE)
    above = np.flatnonzero(levels.loudest_db[:, 4] > -40.0)
    pluck = Processor(rig, RATE).decide(frames)
    decided_s = pluck["decided"][pluck["kind"] == PLUCK][0] / RATE
    assert abs(levels.times_s[above[0]] - decided_s) <= STEP_S


def test_the_loudest_now_is_that_of_the_last_hundredths(play: Callable[..., Signal]) -> None:
    frames = play({5: Pluck(0.1, 45.0)}, 0.3)
    processor = Processor(Rig(), RATE)
    parts = np.concatenate(list(analysis_signal(processor, frames)))
    assert parts.shape == (len(frames) // 4, 6)
    power = np.convolve(np.square(parts[:, 4]), np.full(12, 1 / 12), "valid")
    found = loudest_now(processor.params[0], processor.state[0])[4] * ANALYSIS_STEP**2
    assert found == pytest.approx(power[-480:].max(), rel=0.02)
