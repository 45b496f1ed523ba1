"""The ceiling: a promise to loudspeakers and ears."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from thumbline.dsp.kernel.limiter import limit
from thumbline.dsp.memory.records import BASS, LEFT, OUTPUTS, RIGHT, initial_state
from thumbline.dsp.processor.parameters import LIMITER_RELEASE_S, compile_parameters
from thumbline.dsp.processor.processor import Processor
from thumbline.dsp.rig.model import Rig
from thumbline.dsp.synthetic.string_model import Signal

RATE = 48_000
SIX_DB_DOWN = Rig.model_validate({"output": {"ceiling_db": -6.0}})
CEILING = 10 ** (-6.0 / 20)
ANY_SAMPLE = st.floats(allow_nan=False, allow_infinity=False)


def limited(frames: Signal) -> Signal:
    """Frames (n, 3) after the limiter, at a ceiling of -6 dBFS."""
    params = compile_parameters(SIX_DB_DOWN, RATE)
    state = initial_state(params)
    out = np.array(frames, float)
    for frame in out:
        limit(params[0], state[0], frame)
    return out


@settings(deadline=None)  # the first example may wait for the compiler
@given(st.lists(st.tuples(ANY_SAMPLE, ANY_SAMPLE, ANY_SAMPLE), min_size=1, max_size=20))
def test_no_finite_sample_whatever_passes_the_ceiling(frames: list[tuple[float, float, float]]) -> None:
    out = limited(np.array(frames))
    assert np.isfinite(out).all()
    assert np.abs(out).max() <= CEILING


@pytest.mark.parametrize("value", [1.0, 1e3, 1e30, 1e300, 1.7976931348623157e308])
def test_a_sample_however_great_becomes_the_ceiling(value: float) -> None:
    out = limited(np.array([[value, -value, 0.0]]))
    np.testing.assert_allclose(out, [[CEILING, -CEILING, 0.0]], rtol=1e-12)


def test_what_stays_below_the_ceiling_is_not_touched() -> None:
    frames = np.random.default_rng(1).uniform(-CEILING, CEILING, (500, OUTPUTS))
    np.testing.assert_array_equal(limited(frames), frames)


def test_the_gain_recovers_exponentially() -> None:
    quiet = 0.01
    frames = np.full((RATE // 2, OUTPUTS), quiet)
    frames[0] = 10 * CEILING
    gain = limited(frames)[:, BASS] / quiet
    since = np.arange(1, len(frames)) / RATE
    np.testing.assert_allclose(gain[1:], 1 - 0.9 * np.exp(-since / LIMITER_RELEASE_S), rtol=1e-9)


@pytest.mark.parametrize(("loud", "soft"), [(LEFT, RIGHT), (RIGHT, LEFT)])
def test_left_and_right_share_a_gain_so_that_the_image_stays_and_the_bass_keeps_its_own(loud: int, soft: int) -> None:
    frames = np.zeros((2, OUTPUTS))
    frames[:, BASS] = 0.1
    frames[0, loud], frames[0, soft] = 4 * CEILING, 0.5 * CEILING
    frames[1, soft] = 0.1
    out = limited(frames)
    assert out[0, loud] == pytest.approx(CEILING)
    assert out[0, soft] == pytest.approx(CEILING / 8)
    assert 0.025 < out[1, soft] < 0.03
    np.testing.assert_array_equal(out[:, BASS], 0.1)


@pytest.mark.parametrize("amplitude", [3.0, 1e4, 1e9])
def test_the_processor_never_passes_the_ceiling(amplitude: float) -> None:
    rng = np.random.default_rng(2)
    frames = np.zeros((RATE // 2, 6))
    frames[2000:8000] = amplitude * rng.standard_normal((6000, 6))
    frames[9000:, 5] = amplitude * np.sin(2 * np.pi * 82.4 * np.arange(len(frames) - 9000) / RATE)
    out = Processor(SIX_DB_DOWN, RATE).process(frames)[0]
    assert np.isfinite(out).all()
    assert math.isclose(np.abs(out).max(), CEILING)


@pytest.mark.parametrize("value", [1e30, 1e38, 3e38, 1e39, 1e300, 1.7e308])
def test_the_processor_survives_any_finite_sample_and_plays_on(value: float) -> None:
    # 3e38 is still a number in the 32 bits in which audio interfaces hand over samples.
    frames = np.zeros((RATE // 2, 6))
    frames[4800, 5], frames[4801, 5] = value, -value
    out = Processor(SIX_DB_DOWN, RATE).process(frames)[0]
    assert np.isfinite(out).all()
    assert np.abs(out).max() <= CEILING
