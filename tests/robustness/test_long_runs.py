"""Evenings, weeks and odd clocks: what is counted does not run over, what is added up does not drift."""

import numpy as np
import pytest
from numpy.typing import NDArray

from tests.material.short_take import PLUCKS, RATE, short_take
from thumbline.dsp.memory.events import EVENT, NOTE
from thumbline.dsp.memory.records import ANALYSIS_CLIP, HISTORY, HOP, SQUARES, TICKS
from thumbline.dsp.processor.processor import Processor
from thumbline.dsp.rig.model import Rig

Frames = NDArray[np.float64]

#: Frames in a week at 192 kHz.
WEEK = 7 * 24 * 3600 * 192_000
#: A whole number of all rings and hops, whatever the decimation: the state far on looks as it does at the start.
ROUND = HISTORY * TICKS * HOP * SQUARES


def run(frames: Frames, far_on: int = 0, voice: str = "shifted") -> tuple[Frames, np.ndarray, Processor]:
    """Play frames; ``far_on`` frames are counted as passed before them. Events are dated from the first frame."""
    rig = Rig.model_validate({"input": {"mains_hz": 50.0}, "bass": {"voice": voice}, "choice": {"shortest_ms": 30.0}})
    processor = Processor(rig, RATE)
    state, decimation = processor.state[0], int(processor.params[0]["decimation"])
    assert far_on % (decimation * ROUND) == 0
    state["frame"], state["tick"] = far_on, far_on // decimation
    state["next_fault"][:] = far_on
    _settle(processor, far_on)
    out, events = processor.process(frames)
    events = np.concatenate([events, processor.finish()])
    for name in ("frame", "decided"):
        events[name] -= far_on
    return out, events, processor


def _settle(processor: Processor, far_on: int) -> None:
    """Move the moments that the state remembers along with its clock."""
    decimation = int(processor.params[0]["decimation"])
    strings = processor.state[0]["strings"]
    for name in strings.dtype.names or ():
        if name.endswith("_tick") and name != "end_tick":  # 0 there: no note has ended yet
            strings[name] += far_on // decimation
    for name in ("wanted_tick", "handover_tick", "attack_seen"):
        processor.state[0][name] += far_on // decimation


@pytest.mark.parametrize("voice", ["shifted", "synth"])
@pytest.mark.parametrize("times", [1, 3])
def test_weeks_after_the_start_the_same_notes_are_found_at_the_same_moments(voice: str, times: int) -> None:
    """The hum canceller learns fastest in its first seconds, so what it leaves differs; the notes must not."""
    frames = short_take()
    far_on = times * (WEEK // (2 * ROUND) + 1) * 2 * ROUND
    assert far_on > WEEK
    _, near, _ = run(frames, 0, voice)
    out, far, _ = run(frames, far_on, voice)
    assert np.isfinite(out).all()
    notes = [each[each["kind"] == NOTE] for each in (near, far)]
    np.testing.assert_array_equal(notes[0]["string"], notes[1]["string"])
    np.testing.assert_allclose(notes[0]["frame"], notes[1]["frame"], atol=RATE * 0.001)


def test_without_hum_removal_weeks_after_the_start_are_the_same_bit_for_bit() -> None:
    frames = short_take()
    found = []
    for far_on in (0, 2 * ROUND * (WEEK // (2 * ROUND) + 1)):
        processor = Processor(Rig(), RATE)
        processor.state[0]["frame"] = far_on
        processor.state[0]["tick"] = far_on // int(processor.params[0]["decimation"])
        processor.state[0]["next_fault"][:] = far_on
        _settle(processor, far_on)
        out, events = processor.process(frames)
        events = np.concatenate([events, processor.finish()])
        for name in ("frame", "decided"):
            events[name] -= far_on
        found.append((out, events))
    assert found[0][0].tobytes() == found[1][0].tobytes()
    for name in EVENT.names or ():
        np.testing.assert_array_equal(found[0][1][name], found[1][1][name], err_msg=name)


def test_the_counters_hold_a_hundred_thousand_years() -> None:
    """64 bits: at 192 kHz 1.5 million years. The energies grow faster and may wrap, since only differences count."""
    assert np.iinfo(np.int64).max / 192_000 / 86_400 / 365 > 100_000
    loudest = int(ANALYSIS_CLIP) ** 2
    assert loudest * TICKS < 2**63, "the energy of the longest span fits"
    assert loudest * (SQUARES - 1) < 2**53, "the quick sum is exact as a float too"


@pytest.mark.parametrize("gain", [1.0, 3000.0])
def test_sums_that_are_added_to_for_a_minute_are_exactly_what_they_stand_for(gain: float) -> None:
    """Integers, so no tolerance: the running sums equal the sums of the squares that they should hold."""
    rng = np.random.default_rng(4)
    processor = Processor(Rig(), RATE)
    state = processor.state[0]
    processor.params[0]["on_power"] = np.inf  # a pluck would set back what the analysis remembers
    start = 2**63 - 10**15  # the energies wrap on the way
    state["strings"]["energy_now"] = start
    state["strings"]["energy"] = start
    for _ in range(12):
        processor.process(gain * rng.standard_normal((5 * RATE, 6)) * (rng.random(6) < 0.7))
        ticks = state["strings"]["ticks"][:6, :TICKS].astype(object)  # newest at a place that moves
        place = TICKS - 1 - ((int(state["tick"]) - 1) & (TICKS - 1))
        order = (place + np.arange(TICKS)) & (TICKS - 1)
        squares = np.array([[int(x) ** 2 for x in row] for row in ticks[:, order]], object)
        short = int(processor.params[0]["short_ticks"])
        assert [int(x) for x in state["quick_sum"][:6]] == [sum(row[:short]) for row in squares]
        energy = state["strings"]["energy"][:6, :TICKS][:, order]
        for string in range(6):
            span = int(np.subtract(energy[string, 0], energy[string, 1500], dtype=np.int64))
            assert span == sum(squares[string, :1500])
    assert (state["strings"]["energy_now"][:6] < start).all(), "they did not wrap"


def test_correlations_that_are_added_to_and_taken_from_equal_those_made_anew() -> None:
    """The pitch tracker's sums over its window, after a long note, against sums of the products that they hold."""
    time = np.arange(20 * RATE) / RATE
    frames = np.zeros((len(time), 6))
    frames[RATE:, 5] = 0.3 * np.sin(2 * np.pi * 82.41 * time[RATE:]) + 0.1 * np.sin(2 * np.pi * 164.9 * time[RATE:])
    processor = Processor(Rig(), RATE)
    processor.process(frames)
    string, params = processor.state[0]["strings"][5], processor.params[0]
    hop = int(processor.state[0]["tick"]) // HOP - 1
    window = int(string["window_hops"])
    assert window > 4
    rows = (hop - np.arange(window)) & int(params["hop_mask"][5])
    lags = slice(int(params["lag_min"][5]), int(params["lag_max"][5]) + 1)
    anew = string["products"][rows, lags].astype(np.float64).sum(axis=0)
    scale = np.abs(anew).max()
    np.testing.assert_allclose(string["correlation"][lags], anew, atol=1e-9 * scale)
    assert scale > 0.0


@pytest.mark.parametrize("rate", [22_051, 44_056, 47_952, 48_048, 50_000, 88_200, 176_399, 191_999])
def test_at_rates_that_are_not_round_the_same_notes_are_found(rate: int) -> None:
    """44,056 and 47,952 Hz are audio pulled down to NTSC video by 1000/1001 (common practice, no source)."""
    processor = Processor(Rig(), rate)
    out, events = processor.process(short_take(rate))
    notes = events[events["kind"] == NOTE]
    notes = notes[np.argsort(notes["frame"], kind="stable")]
    assert notes["string"].tolist() == [string for string, _, _ in PLUCKS]
    np.testing.assert_allclose(notes["frame"] / rate, [start_s for _, start_s, _ in PLUCKS], atol=0.003)
    assert np.isfinite(out).all()
