"""The processor as Python sees it."""

from collections.abc import Callable

import numpy as np
import pytest

from thumbline.dsp.errors import InputError
from thumbline.dsp.memory.events import EVENT, HANDOVER, NOTE, PITCH, PLUCK
from thumbline.dsp.memory.records import OUTPUTS, PARAMS, STATE
from thumbline.dsp.processor.processor import CHUNK, Processor, warm_up
from thumbline.dsp.rig.model import Rig
from thumbline.dsp.synthetic.string_model import Pluck, Signal

RATE = 48_000
KINDS = {"PLUCK": PLUCK, "NOTE": NOTE, "HANDOVER": HANDOVER}


@pytest.fixture
def note(play: Callable[..., Signal]) -> Signal:
    return play({5: Pluck(0.05, 45.0)}, 0.3)


@pytest.mark.parametrize("shape", [(10,), (10, 5), (0, 5), (10, 0), (2, 3, 6)])
def test_frames_without_the_rigs_channels_are_refused_with_their_shape(shape: tuple[int, ...]) -> None:
    with pytest.raises(InputError) as refused:
        Processor(Rig(), RATE).process(np.zeros(shape))
    assert str(shape) in str(refused.value)
    assert "6 or more channels" in str(refused.value)


def test_the_highest_channel_of_the_rig_decides_how_many_are_needed() -> None:
    processor = Processor(Rig.model_validate({"input": {"channels": [1, 2, 3, 4, 5, 9]}}), RATE)
    with pytest.raises(InputError, match="9 or more channels"):
        processor.process(np.zeros((10, 8)))
    assert processor.process(np.zeros((10, 9)))[0].shape == (10, OUTPUTS)


def test_channels_that_carry_no_string_are_not_heard(note: Signal) -> None:
    noisy = np.hstack([note, np.random.default_rng(1).standard_normal((len(note), 2))])
    np.testing.assert_array_equal(Processor(Rig(), RATE).process(noisy)[0], Processor(Rig(), RATE).process(note)[0])


def test_the_layout_of_the_frames_in_memory_does_not_matter_and_they_are_left_alone(note: Signal) -> None:
    single = note.astype(np.float32)
    expected, events = Processor(Rig(), RATE).process(single)
    for frames in (np.asfortranarray(single), np.repeat(single, 2, axis=1)[:, ::2], single.astype(np.float64)):
        before = frames.copy()
        out, same = Processor(Rig(), RATE).process(frames)
        np.testing.assert_array_equal(out, expected)
        np.testing.assert_array_equal(same["frame"], events["frame"])
        np.testing.assert_array_equal(frames, before)


@pytest.mark.parametrize("frames", [CHUNK - 1, CHUNK, CHUNK + 1, 3 * CHUNK])
def test_every_frame_that_goes_in_comes_out(frames: int) -> None:
    processor = Processor(Rig(), RATE)
    out, _ = processor.process(np.full((frames, 6), 0.001))
    assert out.shape == (frames, OUTPUTS)
    assert np.isfinite(out).all()
    assert processor.state[0]["frame"] == frames


def test_two_processors_share_nothing(note: Signal) -> None:
    alone = Processor(Rig(), RATE).process(note)
    one, other = Processor(Rig(), RATE), Processor(Rig(), 44_100)
    half = len(note) // 2
    first = one.process(note[:half])
    other.process(3.0 * note)
    second = one.process(note[half:])
    np.testing.assert_array_equal(np.vstack([first[0], second[0]]), alone[0])
    np.testing.assert_array_equal(np.concatenate([first[1], second[1]])["frame"], alone[1]["frame"])


def test_parameters_and_state_lie_open_by_name(note: Signal) -> None:
    processor = Processor(Rig(), RATE)
    _, events = processor.process(note)
    assert processor.params.dtype == PARAMS
    assert processor.state.dtype == STATE
    assert events.dtype == EVENT
    assert processor.state[0]["bass"] == 4  # string 5, from 0
    assert processor.params[0]["tick_rate"] / processor.state[0]["strings"][4]["period"] == pytest.approx(110, rel=2e-3)
    assert processor.state[0]["events_written"] == len(events)


def test_a_notes_events_come_with_string_pitch_and_level(note: Signal) -> None:
    _, events = Processor(Rig(), RATE).process(note)
    (one,) = events[events["kind"] == NOTE]
    assert one["string"] == 5
    assert one["frame"] / RATE == pytest.approx(0.05, abs=0.002)
    assert one["value"] == pytest.approx(110.0, rel=1e-3)
    reports = events[events["kind"] == PITCH]
    assert np.diff(reports["frame"]).max() <= 0.01 * RATE  # at least every 10 ms
    assert (reports["extra"] > 0.9).all()
    assert (reports["extra"] <= 1.0).all()


def test_the_level_of_a_report_is_the_rms_of_the_last_period_in_dbfs() -> None:
    frames = np.zeros((RATE, 6))
    frames[2400:, 5] = 0.1 * np.sqrt(2) * np.sin(2 * np.pi * 110.0 * np.arange(RATE - 2400) / RATE)
    _, events = Processor(Rig(), RATE).process(frames)
    levels = events["level"][(events["kind"] == PITCH) & (events["frame"] > RATE // 4)]
    assert len(levels) > 50
    # The analysis' high-pass at 0.45 of E2 leaves 110 Hz as it is to within 0.1 dB.
    np.testing.assert_allclose(levels, -20.0, atol=0.15)


def test_warming_up_leaves_nothing_behind_and_may_be_repeated() -> None:
    warm_up()
    warm_up()


@pytest.mark.parametrize("mains_hz", ["off", 50.0])
def test_decisions_without_sound_are_those_that_come_with_it(note: Signal, mains_hz: str | float) -> None:
    rig = Rig.model_validate({"input": {"mains_hz": mains_hz}})
    frames = np.vstack([note, note, note])
    whole, quick = Processor(rig, RATE), Processor(rig, RATE)
    events = np.concatenate([whole.process(frames)[1], whole.finish()])
    assert {"PLUCK", "NOTE", "HANDOVER"} <= {name for name, kind in KINDS.items() if kind in events["kind"]}
    parts = [quick.decide(part) for part in np.array_split(frames, 7)]
    assert np.concatenate([*parts, quick.finish()]).tobytes() == events.tobytes()
    assert quick.state[0]["frame"] == whole.state[0]["frame"]


def test_decisions_are_refused_without_the_rigs_channels() -> None:
    with pytest.raises(InputError, match="6 or more channels"):
        Processor(Rig(), RATE).decide(np.zeros((10, 5)))
