"""The reported pitch against the exact frequency of a model string's first partial."""

from collections.abc import Callable

import numpy as np
import pytest

from thumbline.dsp.memory.events import PITCH
from thumbline.dsp.processor.processor import Processor
from thumbline.dsp.rig.model import Rig
from thumbline.dsp.synthetic.string_model import GuitarString, Pluck, Signal, Vibrato, first_partial_hz, midi_to_hz

RATE = 48_000
START_S = 0.1
WITH_LOW_B = Rig.model_validate({"instrument": {"strings": ["E4", "B3", "G3", "D3", "A2", "E2", "B1"]}})
OPEN_MIDI = (64.0, 59.0, 55.0, 50.0, 45.0, 40.0, 35.0)


def heard(frames: Signal, string: int) -> tuple[Signal, Signal, Processor]:
    """Times after the pluck and Hz of a string's pitch reports."""
    processor = Processor(WITH_LOW_B, RATE)
    events = processor.process(frames)[1]
    reports = events[(events["kind"] == PITCH) & (events["string"] == string)]
    return reports["frame"] / RATE - START_S, reports["value"], processor


def cents(a: Signal, b: Signal | float) -> Signal:
    return 1200 * np.log2(a / b)


@pytest.mark.parametrize("inharmonicity", [0.0, 1e-4, 5e-4])
@pytest.mark.parametrize(
    ("string", "midi"), [(7, 40.13), (6, 40.0), (6, 47.72), (5, 45.37), (4, 50.21), (3, 55.4), (2, 63.3), (1, 69.9)]
)
def test_the_pitch_of_a_stiff_string_is_its_first_partial_within_a_cent(
    play: Callable[..., Signal], string: int, midi: float, inharmonicity: float
) -> None:
    # B up to five times that of a plain G string of 0.43 mm; off the tempered grid, so that nothing is rounded to it.
    hz = midi_to_hz(midi)
    at_s, reported, _ = heard(play({string: Pluck(START_S, midi)}, 1.6, RATE, OPEN_MIDI, inharmonicity), string)
    late = at_s > 0.3
    assert np.count_nonzero(late) > 100
    assert abs(np.median(cents(reported[late], hz))) < 1.0
    # A partial's beating with the others in the window sways the reading about its median.
    assert np.percentile(np.abs(cents(reported[late], hz)), 95) < 2.0


def test_stiffness_reads_sharp_before_the_partial_has_been_followed(play: Callable[..., Signal]) -> None:
    """What the first partial is followed for: the period alone is more than 10 cents off here."""
    at_s, reported, processor = heard(play({6: Pluck(START_S, 40.0)}, 1.6, RATE, OPEN_MIDI, 5e-4), 6)
    assert np.median(cents(reported[at_s < 0.1], midi_to_hz(40.0))) > 10.0
    assert 1200 * processor.state[0]["strings"][5]["sharpness"] > 10.0


@pytest.mark.parametrize(("string", "midi"), [(6, 40.3), (4, 52.0), (1, 66.6)])
def test_a_flexible_string_has_no_stretch(play: Callable[..., Signal], string: int, midi: float) -> None:
    _, _, processor = heard(play({string: Pluck(START_S, midi)}, 1.6, RATE, OPEN_MIDI), string)
    assert abs(1200 * processor.state[0]["strings"][string - 1]["sharpness"]) < 0.5


def test_the_next_note_on_a_stiff_string_begins_with_the_stretch_of_the_last(play: Callable[..., Signal]) -> None:
    first = play({6: Pluck(START_S, 40.0, stop_s=1.4)}, 1.6, RATE, OPEN_MIDI, 2e-4)
    second = play({6: Pluck(START_S, 40.0)}, 0.5, RATE, OPEN_MIDI, 2e-4)
    at_s, reported, _ = heard(np.vstack([first, second]), 6)
    deviation = cents(reported, midi_to_hz(40.0))
    assert np.median(deviation[at_s < 0.1]) > 5.0
    again = at_s - 1.6
    # High partials, which make the stretch, die first: at a note's end there is a little less of it.
    assert abs(np.median(deviation[(again > 0.03) & (again < 0.1)])) < 4.0


def follows(play: Callable[..., Signal], string: int, pluck: Pluck) -> Signal:
    """Cents by which the reports differ from the exact pitch at the moment they are dated to, from 300 ms on."""
    at_s, reported, _ = heard(play({string: pluck}, 2.0, RATE, OPEN_MIDI, 1e-4), string)
    keep = at_s > 0.3
    model = GuitarString(OPEN_MIDI[string - 1], 1e-4)
    return cents(reported[keep], first_partial_hz(model, pluck, at_s[keep]))


@pytest.mark.parametrize(("string", "midi"), [(6, 45.2), (4, 55.1), (2, 66.0), (1, 71.3)])
def test_vibrato_is_followed(play: Callable[..., Signal], string: int, midi: float) -> None:
    # A report is dated to the middle of the waves that were compared. Low notes average over more of the swing of 40.
    pluck = Pluck(START_S, midi, vibrato=Vibrato(0.2, 40.0))
    difference = follows(play, string, pluck)
    assert np.abs(difference).max() < 7.0
    assert abs(np.mean(difference)) < 2.0


@pytest.mark.parametrize(("string", "midi"), [(6, 45.2), (3, 60.0), (2, 64.1)])
def test_a_bend_of_a_whole_tone_is_followed_and_stays_one_note(
    play: Callable[..., Signal], string: int, midi: float
) -> None:
    pluck = Pluck(START_S, midi, bend=((0.4, 0.0), (0.8, 200.0), (1.2, 200.0), (1.5, 50.0)))
    difference = follows(play, string, pluck)
    assert np.abs(difference).max() < 6.0
    assert abs(np.median(difference)) < 1.0
