"""Energy of spans of the analysis signal, against sums of Python's whole numbers, which never overflow."""

import numpy as np
import pytest

from thumbline.dsp.compilation import kernel
from thumbline.dsp.kernel.conditioning import decimate
from thumbline.dsp.memory.record_type import Record
from thumbline.dsp.memory.records import ANALYSIS_CLIP, ANALYSIS_STEP, TICKS, initial_state
from thumbline.dsp.memory.tick_ring import span_energy, span_power
from thumbline.dsp.processor.parameters import compile_parameters
from thumbline.dsp.rig.model import Rig


@kernel
def _feed(p: Record, st: Record, steps: np.ndarray) -> None:
    for x in steps:
        st.fir_past[st.frame & p.fir_mask, 0] = x * ANALYSIS_STEP
        decimate(p, st)
        st.tick += 1
        st.frame += 1


def fed(steps: np.ndarray, energy_before: int = 0) -> Record:
    """The record of a string whose analysis signal is ``steps``, unfiltered."""
    params = compile_parameters(Rig(), 48_000)
    p = params[0]
    p["decimation"], p["taps"], p["fir_mask"], p["fir"], p["highpass"] = 1, 1, 0, 0.0, 0.0
    p["fir"][0] = p["highpass"][0] = 1.0
    st = initial_state(params)[0]
    st["strings"][0]["energy"] = st["strings"][0]["energy_now"] = energy_before
    _feed(p, st, np.asarray(steps, float))
    return st["strings"][0]


def exact_energy(steps: np.ndarray, first: int, end: int) -> int:
    return sum(int(x) ** 2 for x in steps[first:end])


@pytest.mark.parametrize("ticks", [100, TICKS - 1, TICKS, TICKS + 1, 3 * TICKS + 77])
def test_energy_of_any_span_within_reach_is_the_exact_sum_of_squares(ticks: int) -> None:
    rng = np.random.default_rng(ticks)
    steps = rng.integers(-(2**20), 2**20, ticks)
    string = fed(steps)
    oldest = max(1, ticks - TICKS + 2)
    for _ in range(200):
        first, end = np.sort(rng.integers(oldest, ticks + 1, 2))
        if first < end:
            assert span_energy(string, first, end) == float(exact_energy(steps, first, end))


def test_the_last_tick_alone_is_a_span() -> None:
    steps = np.array([5, -7, 11, -13])
    string = fed(steps)
    assert [span_energy(string, t, t + 1) for t in range(1, 4)] == [49.0, 121.0, 169.0]
    assert span_energy(string, 0, 4) == 25 + 49 + 121 + 169


def test_energy_stays_exact_when_its_running_sum_overflows_64_bits() -> None:
    steps = np.full(300, ANALYSIS_CLIP)  # 300 times 2^48: passes 2^63 from just below it
    string = fed(steps, energy_before=2**63 - 1000)
    assert int(string["energy_now"]) < 0
    assert span_energy(string, 1, 300) == 299 * 2.0**48


def test_power_is_the_mean_square_and_that_of_an_empty_span_is_0() -> None:
    steps = np.arange(1, 101)
    string = fed(steps)
    assert span_power(string, 10, 30) == pytest.approx(np.mean(steps[10:30] ** 2.0), rel=1e-15)
    assert span_power(string, 30, 30) == span_power(string, 30, 10) == 0.0
