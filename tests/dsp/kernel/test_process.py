"""The one way sound passes: whatever the blocks, the rate and the guitar, the same sound and the same notes."""

import importlib
import os
from collections.abc import Callable, Iterator
from contextlib import contextmanager

import numpy as np
import pytest
import soundfile
from numba.core.runtime.nrt import rtsys

from tests.helpers.places import DEMO
from thumbline.dsp.compilation import kernel
from thumbline.dsp.kernel.process import process
from thumbline.dsp.memory.events import END, EVENT, FAULT, HANDOVER, NOTE, PITCH
from thumbline.dsp.memory.records import OUTPUTS, initial_state
from thumbline.dsp.processor.parameters import compile_parameters
from thumbline.dsp.processor.processor import Processor
from thumbline.dsp.rig.model import Rig
from thumbline.dsp.synthetic.string_model import Pluck, Signal, midi_to_hz

RATE = 48_000
DEMO_RIG = Rig.model_validate({"input": {"mains_hz": 50.0}, "choice": {"settle_ms": 3.0}, "guitar": {"stereo": True}})
OTHER_RIG = Rig.model_validate({"bass": {"voice": "synth", "dynamics": 0.5}, "choice": {"rule": "last plucked"}})
needs_compiler = pytest.mark.skipif(os.environ.get("NUMBA_DISABLE_JIT") == "1", reason="the compiler is switched off")


@pytest.fixture(scope="module")
def demo() -> Signal:
    """The first seconds of the demo take: notes on all strings, several hand-overs."""
    frames, rate = soundfile.read(DEMO, frames=round(3.2 * RATE), dtype="float64")
    assert rate == RATE
    return np.asarray(frames, np.float64)


@pytest.fixture(scope="module")
def whole(demo: Signal) -> tuple[Signal, np.ndarray]:
    return in_blocks(demo, len(demo))


def in_blocks(frames: Signal, size: int, rig: Rig = DEMO_RIG) -> tuple[Signal, np.ndarray]:
    processor = Processor(rig, RATE)
    out, events = [], []
    for first in range(0, len(frames), size):
        part = processor.process(frames[first : first + size])
        out.append(part[0])
        events.append(part[1])
    events.append(processor.finish())
    return np.concatenate(out), np.concatenate(events)


def assert_same(a: tuple[Signal, np.ndarray], b: tuple[Signal, np.ndarray]) -> None:
    assert a[0].tobytes() == b[0].tobytes()
    for name in EVENT.names or ():  # field by field: the gaps between fields hold nothing
        np.testing.assert_array_equal(a[1][name], b[1][name], err_msg=name)


@pytest.mark.parametrize("size", [17, 64, 509])
@pytest.mark.parametrize("rig", [DEMO_RIG, OTHER_RIG], ids=["shifted", "synth"])
def test_sound_and_events_are_the_same_bit_for_bit_however_a_take_is_cut(demo: Signal, size: int, rig: Rig) -> None:
    assert_same(in_blocks(demo, size, rig), in_blocks(demo, len(demo), rig))


def test_frame_by_frame_is_the_same_bit_for_bit_as_in_one_piece(demo: Signal) -> None:
    frames = demo[round(0.55 * RATE) : round(1.0 * RATE)]
    assert_same(in_blocks(frames, 1), in_blocks(frames, len(frames)))


def test_the_takes_compared_hold_notes_and_handovers_on_several_strings(whole: tuple[Signal, np.ndarray]) -> None:
    _, events = whole
    assert len(set(events["string"][events["kind"] == NOTE])) >= 5
    assert np.count_nonzero(events["kind"] == HANDOVER) >= 6
    assert np.count_nonzero(events["kind"] == PITCH) > 500
    assert (np.abs(whole[0]).max(axis=0) > 0.01).all()


def test_events_are_the_same_however_a_take_of_bad_samples_is_cut() -> None:
    frames = np.full((3000, 6), np.nan)
    _, events = in_blocks(frames, 64)
    _, whole_events = in_blocks(frames, 3000)
    assert len(whole_events) == len(events)


def test_events_are_dated_before_they_are_decided_and_decided_in_order(whole: tuple[Signal, np.ndarray]) -> None:
    _, events = whole
    assert (np.diff(events["decided"]) >= 0).all()
    assert (events["frame"] <= events["decided"]).all()
    assert (events["frame"] >= 0).all()


def test_no_frames_make_no_frames_and_no_events() -> None:
    processor = Processor(DEMO_RIG, RATE)
    before = processor.state.tobytes()
    out, events = processor.process(np.zeros((0, 6)))
    assert out.shape == (0, OUTPUTS)
    assert len(events) == 0
    assert processor.state.tobytes() == before
    assert len(processor.finish()) == 0


def test_one_frame_is_a_take_too() -> None:
    processor = Processor(DEMO_RIG, RATE)
    out, events = processor.process(np.full((1, 6), 0.5))
    assert out.shape == (1, OUTPUTS)
    assert np.isfinite(out).all()
    assert len(events) == len(processor.finish()) == 0
    assert processor.state[0]["frame"] == 1


def test_silence_stays_silence() -> None:
    out, events = Processor(DEMO_RIG, RATE).process(np.zeros((RATE, 6)))
    assert not out.any()
    assert len(events) == 0


def test_finishing_ends_each_note_that_still_sounds_once(play: Callable[..., Signal]) -> None:
    processor = Processor(Rig(), RATE)
    frames = play({6: Pluck(0.05, 40.0), 3: Pluck(0.1, 55.0), 1: Pluck(0.1, 64.0, stop_s=0.3)}, 0.6)
    _, events = processor.process(frames)
    assert events["string"][events["kind"] == END].tolist() == [1]
    ends = processor.finish()
    assert ends["kind"].tolist() == [END, END]
    assert sorted(ends["string"]) == [3, 6]
    assert (ends["level"] == 1.0).all()
    assert (ends["frame"] < len(frames)).all()
    assert (ends["frame"] > len(frames) - 200).all()
    assert len(processor.finish()) == 0


@kernel
def _allocating(frames_in: np.ndarray, frames_out: np.ndarray) -> None:
    for i in range(frames_in.shape[0]):
        frames_out[i] = np.ones(3) * frames_in[i, 0]


@contextmanager
def allocations_counted() -> Iterator[None]:
    stats = importlib.import_module("numba.core.runtime._nrt_python")
    enabled = stats.memsys_stats_enabled()
    stats.memsys_enable_stats()
    yield
    if not enabled:
        stats.memsys_disable_stats()


def allocations(call: Callable[[int], object], frames: int) -> int:
    before = rtsys.get_allocation_stats()
    call(frames)
    after = rtsys.get_allocation_stats()
    return after.alloc - before.alloc


@needs_compiler
def test_nothing_is_allocated_while_sound_passes(demo: Signal) -> None:
    """Numba counts what its runtime allocates; a call's own few (a handle for each array) do not grow with frames."""
    out = np.empty((len(demo), OUTPUTS))
    params = compile_parameters(DEMO_RIG, RATE)
    state = initial_state(params)

    def run(frames: int) -> None:
        process(params[0], state[0], demo[:frames], out[:frames])

    def control(frames: int) -> None:
        _allocating(demo[:frames], out[:frames])

    run(0)
    control(0)
    with allocations_counted():
        assert allocations(control, 100) >= allocations(control, 0) + 100  # the count does count
        assert allocations(run, len(demo)) == allocations(run, 0)
    assert state[0]["events_written"] > 500


def notes(processor: Processor, frames: Signal) -> list[tuple[int, float, float]]:
    """String, onset in seconds and key number of each note, in order of onset."""
    events = np.concatenate([processor.process(frames)[1], processor.finish()])
    found = []
    for note in events[events["kind"] == NOTE]:
        ends = events[
            (events["kind"] == END) & (events["string"] == note["string"]) & (events["frame"] > note["frame"])
        ]
        found.append((int(note["string"]), note["frame"] / processor.rate, 69 + 12 * np.log2(ends[0]["value"] / 440.0)))
    return sorted(found, key=lambda each: each[1])


@pytest.mark.parametrize("rate", [22_050, 24_000, 32_000, 44_100, 48_000, 64_000, 88_200, 96_000, 176_400, 192_000])
def test_every_rate_finds_the_same_notes(play: Callable[..., Signal], rate: int) -> None:
    score = {6: (0.10, 40.0), 4: (0.25, 52.1), 3: (0.40, 57.0), 2: (0.55, 60.9), 1: (0.70, 67.0), 5: (0.85, 48.0)}
    plucks = {string: Pluck(at, midi, stop_s=at + 0.5) for string, (at, midi) in score.items()}
    found = notes(Processor(Rig(), rate), play(plucks, 1.5, rate, inharmonicity=1e-4))
    assert [string for string, _, _ in found] == list(score)
    for (string, onset_s, midi), (start_s, true_midi) in zip(found, score.values(), strict=True):
        assert onset_s == pytest.approx(start_s, abs=0.002), string
        assert midi == pytest.approx(true_midi, abs=0.1), string


NAMES = ["E4", "B3", "G3", "D3", "A2", "E2", "B1", "F#1", "C#1", "B0"]
MIDI = (64.0, 59.0, 55.0, 50.0, 45.0, 40.0, 35.0, 30.0, 25.0, 23.0)


@pytest.mark.parametrize("strings", [4, 5, 6, 7, 8, 9, 10])
def test_a_guitar_of_four_to_ten_strings_is_heard_on_each(play: Callable[..., Signal], strings: int) -> None:
    rig = Rig.model_validate({"instrument": {"strings": NAMES[:strings]}})
    plucks = {
        number: Pluck(0.1 + 0.3 * place, MIDI[number - 1] + 1, stop_s=0.35 + 0.3 * place)
        for place, number in enumerate(range(1, strings + 1))
    }
    frames = play(plucks, 0.3 * strings + 0.3, RATE, MIDI[:strings], 2e-4)
    found = notes(Processor(rig, RATE), frames)
    assert [string for string, _, _ in found] == list(plucks)
    for (string, onset_s, midi), pluck in zip(found, plucks.values(), strict=True):
        assert onset_s == pytest.approx(pluck.start_s, abs=0.002), string
        assert midi == pytest.approx(pluck.midi, abs=0.25), string


@pytest.mark.parametrize("inharmonicity", [0.0, 2e-5])
def test_the_pulses_of_a_low_string_far_apart_are_one_note(play: Callable[..., Signal], inharmonicity: float) -> None:
    rig = Rig.model_validate({"instrument": {"strings": NAMES[:7]}})
    frames = play({7: Pluck(0.1, 35.0)}, 1.0, RATE, MIDI[:7], inharmonicity)
    (note,) = notes(Processor(rig, RATE), frames)
    assert note[1] == pytest.approx(0.1, abs=0.002)
    assert note[2] == pytest.approx(35.0, abs=0.1)


def test_a_bad_sample_is_reported_from_whatever_string(demo: Signal) -> None:
    frames = demo[:RATE].copy()
    frames[::5000, 3] = np.nan
    out, events = in_blocks(frames, 64)
    assert np.isfinite(out).all()
    assert events["frame"][events["kind"] == FAULT].tolist() == list(range(0, RATE, 5000))


def test_the_reported_pitch_does_not_depend_on_a_loud_past(play: Callable[..., Signal]) -> None:
    quiet = 0.1 * play({6: Pluck(0.1, 40.0)}, 1.0)
    loud = 0.1 * np.random.default_rng(1).standard_normal((RATE, 6))
    rig = Rig.model_validate({"detect": {"on_db": [-60.0] * 6, "off_db": [-75.0] * 6}})
    hz = []
    for frames in (quiet, np.vstack([loud, np.zeros((RATE // 2, 6)), quiet])):
        _, events = Processor(rig, RATE).process(frames)
        reports = events[(events["kind"] == PITCH) & (events["string"] == 6)]
        hz.append(reports["value"][reports["frame"] > len(frames) - RATE // 2])
    assert len(hz[0]) > 40
    assert np.median(hz[1]) == pytest.approx(np.median(hz[0]), rel=1e-5)
    assert np.median(hz[0]) == pytest.approx(midi_to_hz(40.0), rel=1e-3)
