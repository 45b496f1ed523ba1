"""From channels to strings, against linear algebra, scipy's filters and sums of whole numbers."""

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from scipy import signal

from thumbline.dsp.compilation import kernel
from thumbline.dsp.kernel.conditioning import FAULT_FRAMES, LOUDEST, condition, decimate
from thumbline.dsp.memory.events import FAULT
from thumbline.dsp.memory.record_type import Record
from thumbline.dsp.memory.records import ANALYSIS_CLIP, ANALYSIS_STEP, RIGHT, TICKS, initial_state
from thumbline.dsp.processor.parameters import compile_parameters
from thumbline.dsp.processor.processor import Processor
from thumbline.dsp.rig.model import Rig
from thumbline.dsp.synthetic.string_model import Pluck, Signal

freqz: Any = signal.freqz  # whose types know of whole numbers only

RATE = 48_000


@kernel
def _condition(p: Record, st: Record, frames: np.ndarray, clean: np.ndarray, ticks: np.ndarray) -> None:
    """Clean frames, and the analysis signal before it goes into whole steps' history."""
    for i in range(frames.shape[0]):
        condition(p, st, frames[i])
        clean[i] = st.clean[: clean.shape[1]]
        if (st.frame + 1) % p.decimation == 0:
            decimate(p, st)
            ticks[st.tick] = st.low[: ticks.shape[1]]
            st.tick += 1
        st.frame += 1


def conditioned(frames: Signal, rate: int = RATE, **sections: object) -> tuple[Signal, Signal, np.ndarray, np.ndarray]:
    """Clean frames (n, strings), analysis signal (ticks, strings) in steps, and the records."""
    params = compile_parameters(Rig.model_validate(sections), rate)
    state = initial_state(params)
    clean = np.zeros((len(frames), int(params[0]["strings"])))
    ticks = np.zeros((len(frames) // int(params[0]["decimation"]), clean.shape[1]))
    _condition(params[0], state[0], np.ascontiguousarray(frames, float), clean, ticks)
    return clean, ticks, params, state


def noise(frames: int, columns: int = 6, level: float = 0.1, seed: int = 1) -> Signal:
    return np.random.default_rng(seed).normal(0.0, level, (frames, columns))


def without_dc(x: Signal, rate: int = RATE) -> Signal:
    """What a first-order DC blocker of 15 Hz leaves."""
    return np.asarray(signal.lfilter([1.0, -1.0], [1.0, -np.exp(-2 * np.pi * 15.0 / rate)], x, axis=0))


@pytest.mark.parametrize("strings", [4, 6, 7, 10])
def test_bleed_is_taken_out_by_the_inverse_of_its_matrix(strings: int) -> None:
    rng = np.random.default_rng(strings)
    matrix = np.eye(strings) + rng.uniform(-0.08, 0.08, (strings, strings)) * (1 - np.eye(strings))
    names = ["E4", "B3", "G3", "D3", "A2", "E2", "B1", "F#1", "E1", "D1"][:strings]
    played = noise(2000, strings)
    clean, *_ = conditioned(
        played @ matrix.T, instrument={"strings": names}, bleed={"matrix": matrix.tolist()}, input={"mains_hz": "off"}
    )
    np.testing.assert_allclose(clean, without_dc(played), atol=1e-12)


def test_without_a_matrix_strings_are_their_channels() -> None:
    frames = noise(1000)
    np.testing.assert_allclose(conditioned(frames)[0], without_dc(frames), atol=1e-15)
    np.testing.assert_allclose(conditioned(frames, bleed={"matrix": "off"})[0], without_dc(frames), atol=1e-15)


def test_trim_polarity_and_channels_are_those_of_the_rig() -> None:
    frames = noise(1000, 8)
    settings = {"channels": [8, 2, 3, 1, 5, 7], "trim_db": [0, 6, -6, 0, 20, 0], "invert": [3, 4]}
    gain = [1.0, 10**0.3, -(10**-0.3), -1.0, 10.0, 1.0]
    clean, *_ = conditioned(frames, input=settings)
    np.testing.assert_allclose(clean, without_dc(frames[:, [7, 1, 2, 0, 4, 6]] * gain), atol=1e-12)


def test_an_offset_is_gone_within_a_quarter_of_a_second_and_the_lowest_note_keeps_its_level() -> None:
    time = np.arange(RATE) / RATE
    tone = 0.1 * np.sin(2 * np.pi * 61.74 * time)[:, None]  # B1
    clean, *_ = conditioned(np.tile(0.5 + tone, (1, 6)))
    after = clean[RATE // 4 :, 0]
    cycles = after[: round(20 * RATE / 61.74)]
    assert abs(cycles.mean()) < 1e-4
    assert 20 * np.log10(cycles.std() / (0.1 / np.sqrt(2))) == pytest.approx(0.0, abs=0.3)


HUM = ((1, 1.0), (2, 0.25), (3, 0.5), (4, 0.1), (5, 0.3), (6, 0.05))


def hum(frames: int, mains_hz: float, level_db: float) -> Signal:
    time = np.arange(frames) / RATE
    wave = np.sum([a * np.sin(2 * np.pi * (k * mains_hz * time + 0.13 * k)) for k, a in HUM], axis=0)
    return np.asarray(10 ** (level_db / 20) * wave / np.std(wave))


def heard(frames: Signal, mains_hz: float | str) -> Signal:
    """The sum of all strings as the guitar's output carries it."""
    rig = Rig.model_validate({"input": {"mains_hz": mains_hz}, "guitar": {"strings": "all"}})
    return Processor(rig, RATE).process(frames)[0][:, RIGHT]


@pytest.mark.parametrize("mains_hz", [50.0, 60.0, 49.93])
@pytest.mark.parametrize("string", [1, 2, 3, 4, 5, 6])
def test_hum_and_its_harmonics_fall_by_more_than_30_db_within_half_a_second(mains_hz: float, string: int) -> None:
    frames = np.zeros((RATE, 6))
    frames[:, string - 1] = hum(RATE, mains_hz, -50.0)
    left = heard(frames, mains_hz)[RATE // 2 :]
    untouched = heard(frames, "off")[RATE // 2 :]
    assert 20 * np.log10(np.std(untouched) / np.std(left)) > 30.0


def test_hum_that_drifts_by_a_tenth_of_a_hertz_still_falls_by_more_than_12_db() -> None:
    frames = np.zeros((2 * RATE, 6))
    frames[:, 5] = hum(2 * RATE, 50.02, -50.0)
    left = heard(frames, 50.0)[RATE:]
    assert 20 * np.log10(np.std(heard(frames, "off")[RATE:]) / np.std(left)) > 12.0


def level_at(x: Signal, hz: float) -> float:
    window = np.hanning(len(x))
    return abs(np.sum(x * window * np.exp(-2j * np.pi * hz * np.arange(len(x)) / RATE))) / window.sum()


@pytest.mark.parametrize(("string", "midi", "hz"), [(6, 43.0, 98.0), (2, 59.0, 246.94)])
def test_a_note_beside_a_harmonic_of_the_mains_keeps_its_level(
    play: Callable[..., Signal], string: int, midi: float, hz: float
) -> None:
    # G2 lies 2 Hz below the second harmonic of 50 Hz, B3 3 Hz below the fifth.
    frames = play({string: Pluck(1.0, midi)}, 2.6)
    frames[:, string - 1] += hum(len(frames), 50.0, -60.0)
    kept, untouched = heard(frames, 50.0), heard(frames, "off")
    for begin_s in (1.0, 1.5):
        part = slice(round(begin_s * RATE), round((begin_s + 1.0) * RATE))
        loss_db = 20 * np.log10(level_at(kept[part], hz) / level_at(untouched[part], hz))
        assert abs(loss_db) < 0.5


def test_hum_comes_back_out_as_gone_after_a_note_as_before_it(play: Callable[..., Signal]) -> None:
    frames = play({6: Pluck(1.0, 43.0, stop_s=1.6)}, 2.6)
    frames[:, 5] += hum(len(frames), 50.0, -60.0)
    kept, untouched = heard(frames, 50.0)[2 * RATE :], heard(frames, "off")[2 * RATE :]
    assert 20 * np.log10(np.std(untouched) / np.std(kept)) > 30.0


def faults_of(events: np.ndarray) -> list[tuple[int, int, float]]:
    """Frame, string and channel of each fault."""
    faults = events[events["kind"] == FAULT]
    return list(zip(faults["frame"].tolist(), faults["string"].tolist(), faults["value"].tolist(), strict=True))


@pytest.mark.parametrize("bad", [np.nan, np.inf, -np.inf, LOUDEST, -LOUDEST, 1e300])
def test_a_sample_that_cannot_be_sound_becomes_0_and_is_reported(bad: float) -> None:
    frames = noise(3000, 8, 0.01)
    rig = Rig.model_validate({"input": {"channels": [8, 2, 3, 1, 5, 7]}})
    mended = frames.copy()
    for frame, channel in ((100, 8), (100, 5), (2500, 1)):
        frames[frame, channel - 1], mended[frame, channel - 1] = bad, 0.0
    frames[700, 3] = bad  # channel 4 carries no string
    out, events = Processor(rig, RATE).process(frames)
    np.testing.assert_array_equal(out, Processor(rig, RATE).process(mended)[0])
    assert faults_of(events) == [(100, 1, 8.0), (100, 5, 5.0), (2500, 4, 1.0)]


@pytest.mark.parametrize("loud", [0.999 * LOUDEST, -0.999 * LOUDEST])
def test_a_sample_however_loud_below_a_million_times_full_scale_is_sound(loud: float) -> None:
    frames = np.zeros((2000, 6))
    frames[100, 5] = loud
    clean, _, _, state = conditioned(frames)
    assert clean[100, 5] == loud
    assert state[0]["events_written"] == 0


def test_faults_are_reported_at_once_and_then_at_most_every_1024_frames_of_each_channel() -> None:
    assert FAULT_FRAMES == 1024
    frames = np.zeros((5000, 6))
    frames[100:, 2] = np.nan  # from here to the end
    frames[[150, 150 + 1023, 150 + 1024, 4000], 5] = np.inf  # the second is too soon
    _, events = Processor(Rig(), RATE).process(frames)
    assert [fault for fault in faults_of(events) if fault[1] == 3] == [
        (frame, 3, 3.0) for frame in (100, 1124, 2148, 3172, 4196)
    ]
    assert [fault for fault in faults_of(events) if fault[1] == 6] == [(frame, 6, 6.0) for frame in (150, 1174, 4000)]
    assert len(faults_of(events)) == 8


RATES = [22_050, 24_000, 32_000, 44_100, 48_000, 88_200, 96_000, 176_400, 192_000]


@pytest.mark.parametrize("rate", RATES)
def test_the_analysis_signal_is_what_scipys_filters_make_of_the_string(rate: int) -> None:
    frames = noise(rate // 5)
    clean, ticks, params, _ = conditioned(frames, rate)
    p = params[0]
    low = np.asarray(signal.lfilter(p["fir"][: p["taps"]], 1.0, clean, axis=0))[p["decimation"] - 1 :: p["decimation"]]
    for s in range(6):
        b, a = p["highpass"][:3, s], (1.0, *p["highpass"][3:, s])
        expected = np.asarray(signal.lfilter(b, a, low[:, s])) / ANALYSIS_STEP
        np.testing.assert_allclose(ticks[:, s], expected, atol=0.5 + 1e-6)
        np.testing.assert_array_equal(ticks[:, s], np.rint(ticks[:, s]))


@pytest.mark.parametrize("rate", RATES)
def test_the_decimation_filter_passes_the_partials_and_stops_what_would_fold_onto_them(rate: int) -> None:
    p = compile_parameters(Rig(), rate)[0]
    hz, response = freqz(p["fir"][: p["taps"]], worN=8192, fs=rate)
    gain_db = 20 * np.log10(np.abs(response) + 1e-12)
    assert np.abs(gain_db[hz < 0.18 * p["tick_rate"]]).max() < 0.5  # some 2 kHz; a short filter, a short delay
    folds_below = 0.4 * p["tick_rate"]  # some 5 kHz
    assert gain_db[hz > p["tick_rate"] - folds_below].max() < -45.0


@pytest.mark.parametrize("midi", [28.0, 35.0, 40.0, 64.0])
def test_the_high_pass_takes_little_from_a_strings_lowest_note_and_much_from_rumble(midi: float) -> None:
    # Butterworth, second order, corner at 0.45 of the open string: 10 log10(1 + 0.45^4) at the string itself.
    names = {28.0: "E1", 35.0: "B1", 40.0: "E2", 64.0: "E4"}
    p = compile_parameters(Rig.model_validate({"instrument": {"strings": ["E5", "E5", "E5", names[midi]]}}), RATE)[0]
    b, a = p["highpass"][:3, 3], (1.0, *p["highpass"][3:, 3])
    open_hz = 440 * 2 ** ((midi - 69) / 12)
    _, at = freqz(b, np.array(a), worN=np.array([open_hz, 0.45 * open_hz, open_hz / 10]), fs=p["tick_rate"])
    gain_db = 20 * np.log10(np.abs(at))
    np.testing.assert_allclose(gain_db, [-10 * np.log10(1 + 0.45**4), -3.01, -26.2], atol=0.1)


def test_the_running_energy_is_the_exact_sum_of_squares() -> None:
    _, ticks, _, state = conditioned(noise(RATE, level=0.5))
    for s in range(6):
        string = state[0]["strings"][s]
        squares = [int(x) ** 2 for x in ticks[:, s]]
        assert int(string["energy_now"]) == sum(squares)
        newest = TICKS - 1 - (len(ticks) - 1) % TICKS
        for age in (0, 1, 100, TICKS - 1):
            expected = sum(squares[: len(squares) - age])
            assert int(string["energy"][newest + age]) == expected
            assert int(string["energy"][(newest + age) % TICKS]) == expected
            assert string["ticks"][newest + age] == ticks[len(ticks) - 1 - age, s]


def test_the_quick_level_is_the_power_of_the_last_millisecond() -> None:
    _, ticks, params, state = conditioned(noise(RATE // 2))
    span = int(params[0]["short_ticks"])
    assert span == 12
    np.testing.assert_array_equal(state[0]["quick"][:6], np.sum(ticks[-span:] ** 2, axis=0) / span)


def test_what_is_louder_than_24_db_above_full_scale_is_clipped_for_the_analysis() -> None:
    _, ticks, _, _ = conditioned(noise(2000, level=1e9))
    assert np.abs(ticks).max() == ANALYSIS_CLIP
