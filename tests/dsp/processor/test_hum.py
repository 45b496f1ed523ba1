"""The hum of a take, measured under music, against the hum that was put in."""

import numpy as np
import pytest
from numpy.typing import NDArray

from thumbline.dsp.memory.records import HARMONICS, RIGHT
from thumbline.dsp.processor.hum import Head, Hum, measure_hum
from thumbline.dsp.processor.processor import Processor
from thumbline.dsp.rig.model import Rig
from thumbline.dsp.synthetic.demo_score import STRINGS
from thumbline.dsp.synthetic.model_take import hiss, render_string
from thumbline.dsp.synthetic.string_model import Pluck

RATE, SECONDS = 48_000, 6.0
#: Amplitude and phase of each harmonic (rows) in each channel.
HUM: Hum = np.asarray(
    10.0 ** (np.random.default_rng(1).uniform(-70, -50, (HARMONICS, 6)) / 20.0)
    * np.exp(2j * np.pi * np.random.default_rng(2).random((HARMONICS, 6))),
    np.complex128,
)


def humming(mains_hz: float, rate: int = RATE) -> NDArray[np.float64]:
    time = np.arange(round(SECONDS * rate)) / rate
    turns = np.exp(2j * np.pi * mains_hz * np.outer(time, np.arange(1, HARMONICS + 1)))
    return np.real(turns @ HUM)


def music(rate: int = RATE) -> NDArray[np.float64]:
    """Frames (n, 6): G2, which lies beside twice 50 Hz, B3 and others, with rests of a fifth, and hiss."""
    rng = np.random.default_rng(3)
    frames = round(SECONDS * rate)
    take = hiss(frames, 6, -85.0, rng)
    for string, midi in ((6, 43.0), (5, 48.0), (4, 52.0), (3, 57.0), (2, 59.0), (1, 67.0)):
        plucks = [Pluck(0.9 * i - 0.1 * string, midi, 0.9 * i + 0.6 - 0.1 * string, 0.7) for i in range(1, 7)]
        take[:, string - 1] += render_string(STRINGS[string], plucks, frames, rate, rng)[0]
    return np.asarray(take, np.float64)


def measured(
    frames: NDArray[np.float64], mains_hz: float, rate: int = RATE, **sections: object
) -> NDArray[np.complex128]:
    head = Head(rate)
    blocks = [frames[i : i + 5001] for i in range(0, len(frames), 5001)]
    passed = list(head.pass_on(iter(blocks)))
    assert [id(block) for block in passed] == [id(block) for block in blocks]
    return measure_hum(head, Rig.model_validate(sections), mains_hz)


@pytest.mark.parametrize("rate", [22_050, 48_000, 96_000])
@pytest.mark.parametrize("mains_hz", [50.0, 59.97])
def test_amplitude_and_phase_are_found_under_music(mains_hz: float, rate: int) -> None:
    found = measured(humming(mains_hz, rate) + music(rate), mains_hz, rate)
    assert np.abs(found - HUM).max() < 10.0 ** (-66.0 / 20.0)
    assert np.median(np.abs(found - HUM) / np.abs(HUM)) < 0.03


@pytest.mark.parametrize("off_hz", [-0.08, 0.05])
def test_mains_that_are_not_quite_what_the_rig_says_are_followed(off_hz: float) -> None:
    found = measured(humming(50.0 + off_hz) + music(), 50.0)
    assert np.median(np.abs(found - HUM) / np.abs(HUM)) < 0.1


def test_trim_polarity_and_channel_order_are_those_of_the_rig() -> None:
    rig = {"channels": [6, 5, 4, 3, 2, 1], "trim_db": [0.0, 6.0, 0.0, 0.0, -6.0, 0.0], "invert": [3]}
    found = measured(humming(50.0)[:, ::-1], 50.0, input=rig)
    gain = 10.0 ** (np.array(rig["trim_db"], float) / 20.0) * np.array([1, 1, -1, 1, 1, 1])
    np.testing.assert_allclose(found, gain * HUM, atol=1e-5)


def test_where_no_hum_is_none_is_found() -> None:
    assert np.abs(measured(music(), 50.0)).max() < 10.0 ** (-72.0 / 20.0)


@pytest.mark.parametrize("frames", [0, 100, RATE // 10])
def test_a_take_too_short_to_tell_has_none(frames: int) -> None:
    assert not measured(np.ones((frames, 6)), 50.0).any()


def test_with_what_was_measured_hum_is_gone_from_the_first_frame_on() -> None:
    matrix = np.eye(6) + 0.05 * (1 - np.eye(6))
    rig = Rig.model_validate(
        {"input": {"mains_hz": 50.0}, "guitar": {"strings": "all"}, "bleed": {"matrix": matrix.tolist()}}
    )
    off = rig.model_copy(update={"input": rig.input.model_copy(update={"mains_hz": "off"})})
    frames = humming(50.0)[: RATE // 2]
    left = Processor(rig, RATE, HUM).process(frames)[0][:, RIGHT]
    untouched = Processor(off, RATE).process(frames)[0][:, RIGHT]
    settled = slice(RATE // 20, None)  # the DC blocker's own transient is over
    assert 20 * np.log10(np.std(untouched[settled]) / np.std(left[settled])) > 40.0
    assert 20 * np.log10(np.std(untouched[:2400]) / np.std(left[:2400])) > 15.0
