"""The streaming measure of the first partial against slow NumPy: every sum written out, nothing kept from tick to tick.

The partial's phasor is the signal times a turning phasor (phase vocoder: Flanagan and Golden, Bell Syst. Tech. J. 45,
1966), convolved with the response of four one-pole low-passes in series, (1 - a)^4 C(n + 3, 3) a^n (the negative
binomial series: any handbook of mathematics).
"""

import numpy as np
import pytest

from thumbline.dsp.kernel.first_partial import CUTOFF, STAGES, aim, follow_partial
from thumbline.dsp.kernel.period import RELEASE, forget_pick_noise
from thumbline.dsp.memory.records import HOP, TICKS, initial_state
from thumbline.dsp.processor.parameters import compile_parameters
from thumbline.dsp.rig.model import Rig
from thumbline.dsp.synthetic.string_model import Signal


@pytest.mark.parametrize("period", [23.7, 81.3, 205.0])
@pytest.mark.parametrize("ticks", [1, 50, 1000])
def test_the_followed_partial_is_the_turned_signal_low_passed_four_times(period: float, ticks: int) -> None:
    rng = np.random.default_rng(int(period))
    x = np.rint(rng.normal(0, 1e5, ticks) + 2e5 * np.sin(2 * np.pi * np.arange(ticks) / period + 1.0))
    string = initial_state(compile_parameters(Rig(), 48_000))[0]["strings"][0]
    string["period"] = period
    aim(string)
    for sample in x:
        follow_partial(string, sample)
    turned = x * np.exp(-2j * np.pi * np.arange(1, ticks + 1) / period)
    share = 2 * np.pi * CUTOFF / period
    n = np.arange(ticks)
    response = share**STAGES * (n + 1) * (n + 2) * (n + 3) / 6 * (1 - share) ** n
    expected = np.sum(turned * response[::-1])
    found = string["partial_re"][STAGES - 1] + 1j * string["partial_im"][STAGES - 1]
    assert found == pytest.approx(expected, abs=1e-6 * np.abs(x).max())


def released(x: Signal, first: int, span: int) -> int:
    """The end of the first span whose energy is within 12 dB of the greatest, all sums written out."""
    energy = {end: float(np.sum(x[end - span : end] ** 2)) for end in range(first + span, len(x) + 1)}
    enough = RELEASE * max(energy.values())
    return next((end for end, value in energy.items() if value > enough), len(x))


@pytest.mark.parametrize("pick", [0, 5, 60, 200])
@pytest.mark.parametrize("level", [0.02, 0.1, 0.6])
def test_the_analysis_restarts_where_the_string_is_let_go(pick: int, level: float) -> None:
    rng = np.random.default_rng(pick)
    x = np.rint(np.concatenate([level * rng.normal(0, 1e5, 10 + pick), rng.normal(0, 1e5, 94)]))
    string = initial_state(compile_parameters(Rig(), 48_000))[0]["strings"][0]
    energy = 0
    for tick, sample in enumerate(x):  # as the processor stores them: newest first, twice
        energy += int(sample) ** 2
        for place in (TICKS - 1 - tick, 2 * TICKS - 1 - tick):
            string["ticks"][place] = sample
            string["energy"][place] = energy
    span, tick = 12, len(x) - 1
    string["restart_tick"] = 3
    forget_pick_noise(string, tick, span, 31, 150)
    let_go = released(x, 3, span) - span
    assert string["restart_tick"] == (let_go if let_go - 3 > HOP else 3)
    newest = TICKS - 1 - tick
    kept = np.arange(len(x)) >= string["restart_tick"]
    heard = string["ticks"][newest : newest + len(x)][::-1]
    if string["restart_tick"] > 3:
        np.testing.assert_array_equal(heard, np.where(kept, x, 0))
