"""The pitch kernels against a slow, obvious implementation of the textbook equations, and against known periods."""

import math
from collections.abc import Callable

import numpy as np
import pytest

from thumbline.dsp.compilation import kernel
from thumbline.dsp.kernel.conditioning import decimate
from thumbline.dsp.kernel.period import (
    BEYOND,
    follow,
    normalised_difference,
    period_change,
    pick_period,
    restart,
    shape_change,
)
from thumbline.dsp.memory.events import LOCK, PITCH
from thumbline.dsp.memory.record_type import Record
from thumbline.dsp.memory.records import ANALYSIS_CLIP, ANALYSIS_STEP, HOP, HOPS, LAGS, initial_state
from thumbline.dsp.processor.parameters import compile_parameters
from thumbline.dsp.processor.processor import Processor
from thumbline.dsp.rig.model import Rig
from thumbline.dsp.synthetic.string_model import Pluck, Signal, midi_to_hz

FULL_SCALE = 2.0**20  # in analysis steps
TICK_RATE = 12_000


@kernel
def _listen(
    p: Record, st: Record, steps: Signal, restart_tick: int, restart_first: int, hop_mask: int, lags: int, window: int
) -> None:
    """What happens to a sounding string's analysis signal tick by tick, as in the processor."""
    string = st.strings[0]
    for x in steps:
        st.fir_past[st.frame & p.fir_mask, 0] = x * ANALYSIS_STEP
        decimate(p, st)
        if st.tick == restart_tick:
            restart(string, st.tick, restart_first, hop_mask, lags)
        if (st.tick + 1) % HOP == 0:
            follow(string, st.tick, hop_mask, lags, window)
        st.tick += 1
        st.frame += 1


class Ear:
    """One string's analysis, fed with whole analysis steps, no filter in between."""

    def __init__(self, lag_max: int, window: int, hops: int = HOPS) -> None:
        self.lag_max, self.window, self.hops = lag_max, window, hops
        params = compile_parameters(Rig(), 48_000)
        self.p = params[0]
        self.p["decimation"], self.p["taps"], self.p["fir_mask"] = 1, 1, 0
        self.p["fir"] = self.p["highpass"] = 0.0
        self.p["fir"][0] = self.p["highpass"][0] = 1.0
        self.st = initial_state(params)[0]
        self.string = self.st["strings"][0]

    def listen(self, steps: Signal, restart_tick: int = -1, restart_first: int = 0) -> None:
        lags, hop_mask = self.lag_max + BEYOND + 1, self.hops - 1
        _listen(self.p, self.st, np.asarray(steps, float), restart_tick, restart_first, hop_mask, lags, self.window)

    def settle(self, period: float, last_period: float = 0.0) -> None:
        """Say that the string has sounded at ``period``, and a period ago at ``last_period`` (0: the same)."""
        self.string["period"], self.string["last_period"] = period, last_period or period

    def normalised_difference(self) -> Signal:
        nsdf = np.full(LAGS, np.nan)
        normalised_difference(self.string, int(self.st["tick"]) - 1, self.lag_max, nsdf)
        return nsdf[1 : self.lag_max + BEYOND + 1]


def textbook(x: Signal, first: int, restarted: int, end: int, lag_max: int) -> Signal:
    """1 - d / m for lags 1 to ``lag_max + BEYOND`` over t from ``first`` to ``end - 1``, pairs after ``restarted``.

    d, the squared difference: de Cheveigne and Kawahara, "YIN", JASA 111 (2002), equation 6 (there over a fixed
    window). m and the normalisation n = 2 r / m = 1 - d / m, with a window that shrinks as the lag grows:
    McLeod and Wyvill, "A smarter way to find pitch", ICMC 2005, section 4 (numbers of equations from memory).
    """
    n = np.zeros(lag_max + BEYOND)
    for lag in range(1, min(lag_max + BEYOND, math.ceil(2 * (end - restarted) / 3)) + 1):
        now = x[max(first, restarted + lag) : end]
        before = x[max(first, restarted + lag) - lag : end - lag]
        m = np.sum(now**2 + before**2)
        n[lag - 1] = 1.0 - np.sum((now - before) ** 2) / m if m > 0 else 0.0
    return n


def expected(ear: Ear, x: Signal, restarted: int = 0) -> Signal:
    end = len(x) // HOP * HOP
    hops = min(end // HOP - restarted // HOP, ear.window // HOP + 1, ear.hops - 1)
    return textbook(x, max(end - hops * HOP, restarted), restarted, end, ear.lag_max)


def noise(ticks: int, level: float, seed: int = 1) -> Signal:
    """White noise in whole steps, ``level`` (rms) as a share of full scale."""
    return np.rint(np.random.default_rng(seed).normal(0.0, level * FULL_SCALE, ticks))


def sine(ticks: int, period: float, amplitude: float) -> Signal:
    return np.rint(amplitude * FULL_SCALE * np.sin(2 * np.pi * np.arange(ticks) / period))


@pytest.mark.parametrize("ticks", [8, 40, 203, 1024, 1999, 2048, 2055, 4096, 5003], ids=lambda ticks: f"{ticks}_ticks")
@pytest.mark.parametrize(("lag_max", "window"), [(150, 375), (150, 96), (LAGS - 8, 2 * (LAGS - 8))])
def test_the_incremental_sums_agree_with_the_textbook_equations(ticks: int, lag_max: int, window: int) -> None:
    # Growing window, sliding window, and beyond the ring of 2048 ticks.
    x = noise(ticks, 0.1) + sine(ticks, 87.3, 0.2)
    ear = Ear(lag_max, window)
    ear.listen(x)
    np.testing.assert_allclose(ear.normalised_difference(), expected(ear, x), atol=1e-6)


@pytest.mark.parametrize("restart_tick", [63, 1000, 2047, 2048, 2053, 6143, 7001])
@pytest.mark.parametrize("back", [0, 5, 30, 61])
@pytest.mark.parametrize("later", [0, 1, 9, 100, 301, 2500])
def test_after_a_restart_nothing_before_it_is_remembered(restart_tick: int, back: int, later: int) -> None:
    first = restart_tick - back
    ticks = restart_tick + 1 + later
    x = noise(ticks, 0.3, seed=2) + sine(ticks, 61.7, 0.2)
    ear = Ear(150, 375)
    ear.listen(x, restart_tick, first)
    np.testing.assert_allclose(ear.normalised_difference(), expected(ear, x, first), atol=1e-6)


@pytest.mark.parametrize("back", [0, 61, 119, 200, 359])
@pytest.mark.parametrize("later", [7, 100, 301])
def test_a_restart_far_back_may_reach_beyond_the_hops_that_are_kept(back: int, later: int) -> None:
    # A high string keeps 16 hops of products; the beginning of an attack is looked for up to 30 ms, 360 ticks, back.
    x = noise(1001 + later, 0.3, seed=3) + sine(1001 + later, 21.7, 0.2)
    ear = Ear(40, 100, hops=16)
    ear.listen(x, 1000, 1000 - back)
    np.testing.assert_allclose(ear.normalised_difference(), expected(ear, x, 1000 - back), atol=1e-6)


def test_a_window_that_is_shortened_or_lengthened_on_the_way_agrees_with_the_textbook() -> None:
    x = noise(2000, 0.1) + sine(2000, 87.3, 0.2)
    ear = Ear(150, 375)
    ear.listen(x[:1200])
    ear.window = 120
    ear.listen(x[1200:1600])
    np.testing.assert_allclose(ear.normalised_difference(), expected(ear, x[:1600]), atol=1e-6)
    ear.window = 375
    ear.listen(x[1600:])
    np.testing.assert_allclose(ear.normalised_difference(), expected(ear, x), atol=1e-6)


@pytest.mark.parametrize("level", [1.0, ANALYSIS_CLIP / FULL_SCALE], ids=["full_scale", "clipped_24_dB_above"])
def test_after_a_quarter_of_an_hour_of_loud_noise_the_sums_of_a_quiet_note_have_not_drifted(level: float) -> None:
    # Without a restart, which in the processor every pluck brings. The note lies at -40 dBFS, or 20 dB above the
    # lowest threshold, if what came before was as loud as can be.
    ear = Ear(150, 375)
    minute = noise(60 * TICK_RATE, level)
    for _ in range(15):
        ear.listen(minute)
    assert int(ear.st["tick"]) == 15 * 60 * TICK_RATE
    quiet = sine(2400, 87.3, 10 ** (-40 / 20) * np.sqrt(2))
    ear.listen(quiet)
    end = 2400
    first = end - (375 // HOP + 1) * HOP
    difference = ear.normalised_difference() - textbook(quiet, first, 0, end, 150)
    assert np.abs(difference).max() < 1e-6


def test_sums_up_to_full_scale_are_exact_so_what_leaves_the_window_leaves_no_trace() -> None:
    ear = Ear(150, 375)
    ear.listen(noise(60 * TICK_RATE, 0.5))
    ear.listen(np.zeros(1000))
    assert not ear.string["correlation"].any()


def test_a_lag_without_half_a_period_of_overlap_is_not_judged() -> None:
    ear = Ear(150, 375)
    ear.listen(sine(96, 30.0, 0.5))
    n = ear.normalised_difference()
    assert n[: 2 * 96 // 3].all()
    assert not n[2 * 96 // 3 :].any()


#: Up to which lag the curves below are known.
KNOWN = 400


def curve(period: float, damping: float = 0.0) -> Signal:
    lag = np.arange(LAGS)
    return np.cos(2 * np.pi * lag / period) * np.exp(-damping * lag)


@pytest.mark.parametrize("period", [12.4, 36.0, 87.31, 145.6, 211.5])
def test_the_period_of_a_cosine_is_found_between_samples(period: float) -> None:
    found, clarity = pick_period(curve(period), 5, 300, KNOWN)
    assert found == pytest.approx(period, abs=2e-3)
    assert clarity == pytest.approx(1.0, abs=1e-4)


@pytest.mark.parametrize("period", [12.4, 36.0, 87.31, 145.6, 211.5])
def test_where_no_more_is_known_a_parabola_must_do(period: float) -> None:
    # The parabola through three samples of cos(w (lag - period)), the middle one d from the peak, has its vertex at
    # tan(w d) / (2 tan(w / 2)) instead of d: exact trigonometry.
    w = 2 * np.pi / period
    nearest = round(period)
    d = period - nearest
    vertex = np.tan(w * d) / (2 * np.tan(w / 2))
    found, clarity = pick_period(curve(period), 5, 300, nearest + 1)
    assert found == pytest.approx(nearest + vertex, abs=1e-6)
    assert found == pytest.approx(period, abs=0.03)
    height = np.cos(w * d) + 0.5 * np.sin(w) * np.sin(w * d) * vertex
    assert clarity == pytest.approx(min(1.0, height), abs=1e-9)


def test_the_peak_of_a_parabola_is_found_exactly() -> None:
    lag = np.arange(LAGS)
    nsdf = np.maximum(0.9 - 0.001 * (lag - 100.3) ** 2, -0.2)
    found, clarity = pick_period(nsdf, 10, 200, KNOWN)
    assert found == pytest.approx(100.3, abs=1e-9)
    assert clarity == pytest.approx(0.9, abs=1e-12)


def test_of_a_period_and_its_multiples_the_period_is_taken_though_a_multiple_is_a_little_higher() -> None:
    nsdf = curve(50.0)
    nsdf[75:] *= 1.05
    assert pick_period(nsdf, 10, 300, KNOWN)[0] == pytest.approx(50.0, abs=0.01)


@pytest.mark.parametrize("period", np.arange(17.0, 18.0, 0.1))
def test_a_bright_waves_period_is_no_multiple_though_its_peak_falls_between_two_lags(period: float) -> None:
    # Partials below 4.3 kHz of a note about 690 Hz, sampled at 12 kHz, as strong as each other.
    lag = np.arange(LAGS)
    nsdf = np.mean([np.cos(2 * np.pi * k * lag / period) for k in range(1, 7)], axis=0)
    found, clarity = pick_period(nsdf, 5, 100, KNOWN)
    assert found == pytest.approx(period, abs=0.025)  # 2.5 cents
    assert clarity > 0.98


def test_a_weaker_peak_before_the_period_is_passed_over() -> None:
    # A strong second partial: half the period resembles, but not enough.
    lag = np.arange(LAGS)
    nsdf = 0.5 * np.cos(2 * np.pi * lag / 100) + 0.5 * np.cos(2 * np.pi * lag / 50)
    assert nsdf[50] < nsdf[100]
    assert pick_period(nsdf, 10, 300, KNOWN)[0] == pytest.approx(100.0, abs=0.01)


def test_likeness_around_lag_0_is_not_a_period() -> None:
    nsdf = curve(120.0)
    nsdf[1:15] += 0.02 * np.cos(np.arange(1, 15))  # ripples on the first slope
    assert pick_period(nsdf, 2, 300, KNOWN)[0] == pytest.approx(120.0, abs=0.01)


@pytest.mark.parametrize(
    "nsdf", [np.zeros(LAGS), np.full(LAGS, 1.0), np.linspace(1, -1, LAGS), -np.ones(LAGS)], ids=str
)
def test_a_curve_without_a_peak_has_no_period(nsdf: Signal) -> None:
    assert pick_period(nsdf, 5, 300, KNOWN) == (0.0, 0.0)


def test_a_period_outside_the_strings_range_is_not_found() -> None:
    assert pick_period(curve(200.0), 5, 150, KNOWN) == (0.0, 0.0)
    assert pick_period(curve(12.0), 20, 150, KNOWN)[0] == pytest.approx(24.0, abs=0.01)


OPEN_STRINGS = {1: 64.0, 2: 59.0, 3: 55.0, 4: 50.0, 5: 45.0, 6: 40.0}


@pytest.mark.parametrize(("string", "midi"), OPEN_STRINGS.items())
def test_a_model_strings_period_is_known_after_one_and_a_half_of_them_and_exact_soon(
    play: Callable[..., Signal], string: int, midi: float
) -> None:
    hz = midi_to_hz(midi)
    processor = Processor(Rig(), 48_000)
    events = processor.process(play({string: Pluck(0.1, midi)}, 0.8))[1]
    after_s = events["frame"] / 48_000 - 0.1
    cents = 1200 * np.log2(np.maximum(events["value"], 1.0) / hz)
    (lock,) = np.flatnonzero(events["kind"] == LOCK)
    assert events[lock]["string"] == string
    # Two hops more than one and a half periods: the decision is taken once a hop.
    assert after_s[lock] * hz < 1.5 + 2 * HOP / TICK_RATE * hz
    assert abs(cents[lock]) < 50.0  # the right note
    settled = (events["kind"] == PITCH) & (after_s > 0.03)
    assert np.count_nonzero(settled) > 60
    assert np.abs(cents[settled]).max() < 2.0
    assert abs(np.median(cents[settled])) < 0.5


def test_a_wave_like_its_last_period_is_not_unlike_it() -> None:
    ear = Ear(150, 375)
    ear.listen(sine(1000, 80.0, 0.5))
    ear.settle(80.0)
    power = (0.5 * FULL_SCALE) ** 2 / 2
    assert period_change(ear.string, 999, 24, 0.0, power) < 1e-9
    ear = Ear(150, 375)
    ear.listen(sine(1000, 80.3, 0.5))  # between ticks: what interpolation leaves
    ear.settle(80.3)
    assert period_change(ear.string, 999, 24, 0.0, power) < 1e-4


def test_unlikeness_agrees_with_its_definition() -> None:
    x = noise(3000, 0.2)
    ear = Ear(150, 375)
    ear.listen(x)
    ear.settle(80.25)
    now = x[-24:]
    before = 0.75 * x[-24 - 80 : -80] + 0.25 * x[-24 - 81 : -81]
    energy = np.sum(now**2) + np.sum(x[-24 - 80 : -80] ** 2)
    for level in (0.0, 1e9):
        value = np.sum((now - before) ** 2) / (energy + 48 * level + 1.0)
        assert period_change(ear.string, 2999, 24, 0.0, level) == pytest.approx(value, rel=1e-12)


def bend(ticks: int, first: float, last: float) -> tuple[Signal, Signal]:
    """A pulse-like wave whose period goes evenly from ``first`` to ``last`` ticks, and its period at every tick."""
    period = np.linspace(first, last, ticks)
    turns = np.cumsum(1.0 / period)
    return np.rint(0.1 * FULL_SCALE * sum(np.cos(2 * np.pi * k * turns) for k in range(1, 9))), period


@pytest.mark.parametrize("last", [310.0, 480.0])
def test_a_string_that_is_bent_is_looked_for_where_the_bend_leads(last: float) -> None:
    # What is known of the period is 1.5 periods old. At steps of 50 ticks, so that pulses are among them.
    x, period = bend(2000, 390.0, last)
    straight, bent = [], []
    for end in range(1600, 2000, 50):
        ear = Ear(500, 750)
        ear.listen(x[:end])
        power = float(np.mean(x[end - 400 : end] ** 2))
        late = end - round(1.5 * float(period[end - 1]))
        known, before = float(period[late]), float(period[late - round(float(period[late]))])
        for found, last_period in ((straight, known), (bent, before)):
            ear.settle(known, last_period)
            found.append(
                (
                    period_change(ear.string, end - 1, 24, 0.0, power),
                    shape_change(ear.string, end - 1, 24, 72, 2, 0.0, power),
                )
            )
    assert np.max(bent) < 0.02
    assert np.max(straight, axis=0).min() > 0.1


def test_an_unrelated_wave_is_unlike_by_1_and_an_opposed_one_by_2_if_the_period_before_was_no_louder() -> None:
    ear = Ear(150, 375)
    ear.listen(noise(3000, 0.2))
    ear.settle(500.0)
    assert period_change(ear.string, 2999, 400, 0.0, 0.0) == pytest.approx(1.0, abs=0.2)
    ear = Ear(150, 375)
    ear.listen(sine(1000, 100.0, 0.5))
    ear.settle(50.0)
    assert period_change(ear.string, 999, 50, 0.0, 0.0) == pytest.approx(2.0, abs=1e-6)


def test_a_wave_that_fades_and_drifts_keeps_its_shape() -> None:
    ear = Ear(150, 375)
    x = sine(1000, 80.0, 0.5) * np.exp(-np.arange(1000) / 150.0)
    ear.listen(x)
    ear.settle(78.0)
    power = float(np.mean(x[-80:] ** 2))
    at_rest, drifted = (shape_change(ear.string, 999, 40, 0, drift, 0.0, power) for drift in (0, 2))
    assert drifted < 1e-4 < at_rest / 10
    assert period_change(ear.string, 999, 40, 0.0, power) > 0.05


@pytest.mark.parametrize("reach", [0, 72, 200])
def test_change_of_shape_agrees_with_its_definition(reach: int) -> None:
    x = noise(3000, 0.2)
    ear = Ear(150, 375)
    ear.listen(x)
    ear.settle(50.25)
    lags = {0: [50], 72: [101], 200: [201]}[reach]  # 50.25 times 1, 2 and 4
    now = x[-24:]
    for level in (0.0, 1e9):
        values = []
        for back in [lag + drift for lag in lags for drift in range(-2, 3)]:
            before = x[-24 - back : -back]
            energies = np.sum(now**2), np.sum(before**2)
            apart = 2 * (np.sqrt(np.prod(energies)) - np.sum(now * before))
            values.append(apart / (sum(energies) + 48 * level + 1.0))
        assert shape_change(ear.string, 2999, 24, reach, 2, 0.0, level) == pytest.approx(min(values), rel=1e-6)
