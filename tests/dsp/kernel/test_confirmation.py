"""When a pluck is believed: soon, but not while it is a touch, nor if it is a knock, nor for long if it is a thump."""

from collections.abc import Mapping, Sequence

import numpy as np
import pytest

from tests.material.rigs import quiet_rig
from thumbline.dsp.memory.events import HANDOVER, NOTE, PLUCK
from thumbline.dsp.processor.processor import Processor
from thumbline.dsp.rig.model import Rig
from thumbline.dsp.synthetic.demo_score import STRINGS
from thumbline.dsp.synthetic.model_take import Thump, hiss, render_string
from thumbline.dsp.synthetic.string_model import Pluck

RATE = 48_000
Played = Mapping[int, Sequence[Pluck | Thump]]


def rig(on_db: float = -48.0, **choice: object) -> Rig:
    return quiet_rig(on_db, choice=choice)


def take_of(played: Played, seconds: float) -> np.ndarray:
    rng = np.random.default_rng(3)
    frames = round(seconds * RATE)
    sounds = [render_string(STRINGS[s], played.get(s, ()), frames, RATE, rng)[0] for s in range(1, 7)]
    return np.column_stack(sounds) + hiss(frames, 6, -90.0, rng)


def events_of(take: np.ndarray, settings: Rig) -> np.ndarray:
    processor = Processor(settings, RATE)
    return np.concatenate([processor.process(take)[1], processor.finish()])


def passed(events: np.ndarray, string: int = 0) -> np.ndarray:
    """When the bass was passed to a string (0: to any), in seconds."""
    to = events["string"] == string if string else events["string"] > 0
    return events["decided"][(events["kind"] == HANDOVER) & to] / RATE


def pluck(string: int, start_s: float, fret: int = 3) -> Pluck:
    return Pluck(start_s, STRINGS[string].open_midi + fret, start_s + 0.6, 0.8)


@pytest.mark.parametrize("velocity", [0.2, 1.0])
def test_a_knock_that_all_strings_hear_takes_the_bass_on_none(velocity: float) -> None:
    knock = take_of({6: [Thump(0.2, velocity)]}, 0.8)[:, 5]
    shares = np.array([1.0, -0.7, 0.5, 0.8, -1.2, 1.0])
    events = events_of(knock[:, np.newaxis] * shares + hiss(len(knock), 6, -85.0, np.random.default_rng(1)), rig())
    assert np.count_nonzero(events["kind"] == PLUCK) >= 6, "or nothing was heard"
    assert len(passed(events)) == 0


def test_the_same_on_two_strings_alone_is_no_knock() -> None:
    knock = take_of({6: [Thump(0.2, 1.0)]}, 0.8)[:, 5]
    events = events_of(knock[:, np.newaxis] * np.array([0, 0, 0, 0, 1.0, 1.0]), rig())
    assert len(passed(events)) > 0


@pytest.mark.parametrize("apart_s", [0.0, 0.0005, 0.001, 0.002])
def test_a_chord_however_fast_is_no_knock(apart_s: float) -> None:
    events = events_of(take_of({s: [pluck(s, 0.2 + apart_s * (6 - s))] for s in range(1, 7)}, 0.9), rig())
    (first, *_) = passed(events, 6)
    assert first - 0.2 < 0.006
    assert np.count_nonzero(events["kind"] == NOTE) == 6


@pytest.mark.parametrize("string", range(1, 7))
def test_a_thump_gives_the_bass_back_within_45_ms(string: int) -> None:
    other = 6 if string == 1 else string - 1
    held = take_of({string: [Thump(0.6, 0.8)], other: [pluck(other, 0.2)]}, 1.0)
    events = events_of(held, rig(rule="last plucked"))
    handovers = events[events["kind"] == HANDOVER]
    assert handovers["string"][:3].tolist() == [other, string, other]
    assert (handovers["decided"][2] - handovers["decided"][1]) / RATE < 0.045


@pytest.mark.parametrize("string", range(1, 7))
def test_with_more_proof_a_thump_never_has_the_bass(string: int) -> None:
    events = events_of(take_of({string: [Thump(0.2 + 0.3 * i, v) for i, v in enumerate((0.3, 0.6, 1.0))]}, 1.2), rig())
    assert len(passed(events)) == 3
    events = events_of(
        take_of({string: [Thump(0.2 + 0.3 * i, v) for i, v in enumerate((0.3, 0.6, 1.0))]}, 1.2), rig(proof_ms=40.0)
    )
    assert len(passed(events)) == 0


@pytest.mark.parametrize("proof_ms", [5.0, 25.0, 60.0])
def test_proof_delays_every_pluck_alike(proof_ms: float) -> None:
    take = take_of({s: [pluck(s, 0.2 + 0.7 * (6 - s))] for s in range(1, 7)}, 4.7)
    at_once, later = passed(events_of(take, rig())), passed(events_of(take, rig(proof_ms=proof_ms)))
    assert len(at_once) == len(later) == 6
    assert np.abs(later - at_once - proof_ms / 1000).max() < 0.0002


def test_the_pick_touching_the_string_does_not_take_the_bass_its_release_does() -> None:
    take = take_of({6: [pluck(6, 0.204)]}, 0.6)
    touch = slice(round(0.2005 * RATE), round(0.203 * RATE))
    take[touch, 5] += hiss(touch.stop - touch.start, 1, -54.0, np.random.default_rng(2))[:, 0]
    events = events_of(take, rig(on_db=-60.0))
    assert events["decided"][events["kind"] == PLUCK][0] / RATE < 0.203
    (decided,) = passed(events)
    assert 0.204 < decided < 0.206


def test_a_soft_pluck_is_not_waited_for_longer_than_5_ms() -> None:
    soft = take_of({6: [pluck(6, 0.2)]}, 0.7) * 10 ** (-25 / 20)
    (decided,) = passed(events_of(soft, rig(on_db=-60.0)))
    assert decided - 0.2 < 0.0075


def test_the_bass_string_keeps_the_bass_when_it_is_plucked_again() -> None:
    again = [Pluck(0.2, 43.0, 0.597, 0.8, damp_s=0.003), Pluck(0.6, 43.0, 1.0, 0.9)]
    events = events_of(take_of({6: again, 1: [pluck(1, 0.3)]}, 1.2), rig(proof_ms=20.0))
    assert np.count_nonzero(events["kind"] == NOTE) == 3
    assert events["string"][(events["kind"] == HANDOVER) & (events["frame"] < 0.9 * RATE)].tolist() == [6]
