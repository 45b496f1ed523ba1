"""The tuner against model strings whose first partial is known exactly, and a sine of numpy's."""

from collections.abc import Callable, Iterator
from typing import Any

import numpy as np
import pytest

from thumbline.dsp.processor.processor import Processor
from thumbline.dsp.rig.model import Rig
from thumbline.dsp.synthetic.string_model import Pluck, Signal, midi_to_hz
from thumbline.dsp.tuner.partial_pitch import PartialPitch
from thumbline.dsp.tuner.tuner import Reading, Tuner

RATE = 48_000
OPEN_MIDI = (64.0, 59.0, 55.0, 50.0, 45.0, 40.0)
#: Looks per second of the full screen.
LOOKS_HZ = 15


def readings(frames: Signal, rig: Rig | None = None) -> Iterator[tuple[float, Reading | None]]:
    """What a tuner shows at each look, and when."""
    rig = rig or Rig()
    processor, tuner = Processor(rig, RATE), Tuner()
    live: Any = {"state": processor.state[0], "params": processor.params, "engine": {"setting": 0}}
    step = RATE // LOOKS_HZ
    for first in range(0, len(frames), step):
        processor.decide(frames[first : first + step])
        yield first / RATE, tuner.look(live, rig)


@pytest.mark.parametrize(
    ("string", "off_cents", "inharmonicity"),
    [
        (6, 0.0, 5e-4),
        (6, -13.37, 1e-4),
        (5, 4.2, 2e-4),
        (4, -0.8, 2e-4),
        (3, 22.0, 5e-4),
        (2, 7.7, 1e-4),
        (1, 1.1, 5e-5),
    ],
)
def test_stiff_strings_from_e2_to_e4_are_read_within_a_third_of_a_cent_and_stay_still(
    play: Callable[..., Signal], string: int, off_cents: float, inharmonicity: float
) -> None:
    midi = OPEN_MIDI[string - 1] + off_cents / 100.0
    frames = play({string: Pluck(0.1, midi)}, 3.5, RATE, OPEN_MIDI, inharmonicity)
    shown = list(readings(frames))
    known = [(at_s, reading) for at_s, reading in shown if reading is not None]
    assert known[0][0] < 0.8
    assert {reading.string for _, reading in known} == {string}
    for _, reading in known:
        assert abs(1200.0 * np.log2(reading.hz / midi_to_hz(midi))) < 1.0
    rested = [reading for at_s, reading in known if at_s > 1.8]
    assert len(rested) > 20
    assert all(reading.rests for reading in rested)
    for reading in rested:
        assert abs(1200.0 * np.log2(reading.hz / midi_to_hz(midi))) < 0.3
        assert abs(reading.cents - off_cents) < 0.3
        assert reading.cents == pytest.approx(round(reading.cents, 1))
    assert np.ptp([reading.cents for reading in rested]) < 0.11, "steady to a tenth"


def test_a_sweetened_string_is_true_where_the_rig_says(play: Callable[..., Signal]) -> None:
    rig = Rig.model_validate(
        {"tuner": {"offsets_cents": [0.0, 0.0, -6.5, 0.0, 0.0, 0.0]}, "instrument": {"a4_hz": 442.0}}
    )
    midi = 55.0 - 0.065 + 12.0 * np.log2(442.0 / 440.0)
    *_, (_, last) = readings(play({3: Pluck(0.1, midi)}, 2.5, RATE, OPEN_MIDI, 1e-4), rig)
    assert last is not None
    assert (last.note, last.string) == ("G3", 3)
    assert abs(last.cents) < 0.3


def test_the_string_that_sounds_is_followed_and_silence_shows_nothing(play: Callable[..., Signal]) -> None:
    frames = play({6: Pluck(0.1, 40.0, 1.4), 5: Pluck(1.6, 45.0, 3.0)}, 4.0, RATE, OPEN_MIDI, 1e-4)
    shown = list(readings(frames))
    assert {reading.string for at_s, reading in shown if reading and at_s < 1.4} == {6}
    assert {reading.string for at_s, reading in shown if reading and 2.2 < at_s < 3.0} == {5}
    assert shown[0][1] is None
    assert shown[-1][1] is None


def test_a_peg_that_turns_is_followed_and_does_not_rest() -> None:
    rate, near = 12_000.0, 110.0
    at_s = np.arange(int(4 * rate)) / rate
    hz = near * 2.0 ** (np.clip(at_s - 1.5, 0.0, 1.0) * 40.0 / 1200.0)  # 40 cents up in a second
    sound = np.sin(2.0 * np.pi * np.cumsum(hz) / rate)
    pitch = PartialPitch(near, rate)
    for end in range(pitch.length, len(sound), 800):
        pitch.feed(sound[end - pitch.length : end], end - pitch.length)
        found = pitch.hz
        if found is None:
            continue
        off = 1200.0 * np.log2(found / hz[end - 1])
        if 1.9 < end / rate < 2.5:
            assert not pitch.rests
            assert -15.0 < off < 0.0, "behind by what it averages over"
        elif end / rate > 3.6:
            assert pitch.rests
            assert abs(off) < 0.02
