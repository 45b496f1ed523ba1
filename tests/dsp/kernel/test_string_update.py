"""When strings begin and cease to sound, on model strings whose plucks and stops are known to the frame.

Everything is heard through the whole processor; tolerances are stated beside each check.
"""

from collections.abc import Mapping, Sequence

import numpy as np
import pytest

from tests.material.rigs import quiet_rig
from thumbline.dsp.memory.events import END, NOTE, PLUCK
from thumbline.dsp.processor.notes import Note
from thumbline.dsp.processor.processor import Processor
from thumbline.dsp.processor.transcript import Transcript
from thumbline.dsp.rig.model import Rig
from thumbline.dsp.synthetic.demo_score import STRINGS
from thumbline.dsp.synthetic.model_take import Thump, add_bleed, hiss, hum, render_string
from thumbline.dsp.synthetic.string_model import Pluck, Slur, Vibrato

RATE = 48_000
SIXTEENTH_S = 60.0 / 160 / 4
#: A neighbour at -20 dB, half of that and inverted one string further.
BLEED = np.array([[0.1 ** abs(i - j) * (-1) ** (abs(i - j) // 2) for j in range(6)] for i in range(6)])

Events = Mapping[int, Sequence[Pluck | Thump]]


def clean(events: Events, seconds: float, seed: int = 3) -> np.ndarray:
    """Frames (n, 6) of a guitar, without noise."""
    rng = np.random.default_rng(seed)
    frames = round(seconds * RATE)
    sounds = [render_string(STRINGS[s], events.get(s, ()), frames, RATE, rng)[0] for s in range(1, 7)]
    return np.column_stack(sounds)


def listen(frames: np.ndarray, settings: Rig | None = None) -> tuple[list[Note], np.ndarray]:
    """Notes and events of a take under a hiss of -90 dBFS."""
    settings = settings or quiet_rig()
    noisy = frames + hiss(len(frames), frames.shape[1], -90.0, np.random.default_rng(11))
    processor, transcript = Processor(settings, RATE), Transcript(settings, RATE)
    events = np.concatenate([processor.process(noisy)[1], processor.finish()])
    transcript.feed(events)
    return transcript.notes, events


def open_note(string: int) -> float:
    return STRINGS[string].open_midi


@pytest.mark.parametrize("velocity", [0.25, 0.6, 1.0])
@pytest.mark.parametrize("string", range(1, 7))
def test_the_pluck_of_a_silent_string_is_found_within_3_ms(string: int, velocity: float) -> None:
    frames = clean({string: [Pluck(0.2, open_note(string) + 2, 0.8, velocity)]}, 1.2)
    notes, events = listen(frames)
    plucks = events[events["kind"] == PLUCK]
    assert plucks["string"].tolist() == [string]
    assert abs(plucks["frame"][0] / RATE - 0.2) < 0.003
    assert 0.0 < plucks["decided"][0] / RATE - 0.2 < 0.003
    assert [(note.string, note.fret) for note in notes] == [(string, 2)]


@pytest.mark.parametrize("string", range(1, 7))
def test_repeated_sixteenths_at_160_are_each_found_once_and_none_is_invented(string: int) -> None:
    starts = 0.2 + SIXTEENTH_S * np.arange(16)
    plucks = [
        Pluck(float(start), open_note(string), float(start) + SIXTEENTH_S - 0.008, velocity, damp_s=0.008)
        for start, velocity in zip(starts, [0.9, 0.5, 0.7, 0.5] * 4, strict=True)
    ]
    notes, _ = listen(clean({string: plucks}, 2.2))
    assert len(notes) == 16
    # A soft pluck is told from the tail of the loud one before it within a period.
    onsets = np.array([note.onset_s for note in notes])
    assert np.abs(onsets - starts).max() < max(0.003, 440.0**-1 * 2.0 ** ((69 - open_note(string)) / 12))
    assert {note.fret for note in notes} == {0}


@pytest.mark.parametrize("string", range(1, 7))
@pytest.mark.parametrize(("first", "second", "strength"), [(2, 4, 0.3), (5, 3, 0.25), (0, 2, 0.4), (3, 0, 0.3)])
def test_a_hammer_on_or_pull_off_begins_a_new_note(string: int, first: int, second: int, strength: float) -> None:
    slur = Slur(0.4, open_note(string) + second, strength)
    notes, _ = listen(clean({string: [Pluck(0.2, open_note(string) + first, 1.0, 0.8, slurs=(slur,))]}, 1.4))
    assert [note.fret for note in notes] == [first, second]
    assert abs(notes[1].onset_s - 0.6) < 0.02
    assert abs(notes[0].offset_s - notes[1].onset_s) < 0.005


@pytest.mark.parametrize("string", range(1, 7))
def test_a_ringing_string_that_is_plucked_again_begins_a_new_note(string: int) -> None:
    midi = open_note(string)
    notes, _ = listen(clean({string: [Pluck(0.2, midi, 0.697, 0.7, damp_s=0.003), Pluck(0.7, midi, 1.2, 0.9)]}, 1.5))
    assert [note.fret for note in notes] == [0, 0]
    assert abs(notes[1].onset_s - 0.7) < 0.005


@pytest.mark.parametrize("string", range(1, 7))
@pytest.mark.parametrize("velocity", [0.2, 0.5, 1.0])
def test_a_damped_thump_is_no_note(string: int, velocity: float) -> None:
    thumps = [Thump(0.2 + 0.25 * i, velocity) for i in range(6)]
    notes, events = listen(clean({string: thumps}, 2.0))
    assert notes == []
    ended = events[events["kind"] == END]
    assert len(ended) == np.count_nonzero(events["kind"] == PLUCK), "every pluck has its end"


@pytest.mark.parametrize("string", range(1, 7))
@pytest.mark.parametrize(("fret", "velocity", "later_s"), [(2, 0.15, 0.01), (9, 0.25, 0.01), (9, 0.15, 0.03)])
def test_a_soft_note_right_after_a_thump_is_found_within_0_15_s(
    string: int, fret: int, velocity: float, later_s: float
) -> None:
    """The thump hides its attack, and it is more than 8 dB below the thump."""
    begin = 0.2 + later_s
    pluck = Pluck(begin, open_note(string) + fret, 1.0, velocity)
    notes, events = listen(clean({string: [Thump(0.2, 0.6), pluck]}, 1.4))
    assert [note.fret for note in notes] == [fret]
    assert events["decided"][events["kind"] == NOTE][0] / RATE - begin < 0.15


@pytest.mark.parametrize("hz", [190.0, 330.0])
@pytest.mark.parametrize("below_db", [12.0, 18.0])
@pytest.mark.parametrize("string", [1, 3, 6])
def test_what_rings_out_from_a_thump_faster_than_a_note_is_no_note(string: int, hz: float, below_db: float) -> None:
    """By 750 dB per second, as damped strings that were recorded: pitched, but gone before it is heard as a note."""
    frames = clean({string: [Thump(0.2, 1.0)]}, 1.4)
    time = np.arange(len(frames)) / RATE - 0.2
    ring = np.where(time >= 0, np.sin(2 * np.pi * hz * time), 0.0) * 10.0 ** (-750.0 * time / 20)
    frames[:, string - 1] += np.abs(frames).max() * 10.0 ** (-below_db / 20) * ring
    notes, _ = listen(frames)
    assert notes == []


def test_a_slow_bend_is_one_note() -> None:
    bend = ((0.2, 0.0), (0.6, 200.0), (1.0, 200.0), (1.4, 0.0))
    notes, _ = listen(clean({2: [Pluck(0.2, open_note(2) + 10, 2.0, 0.9, bend=bend)]}, 2.3))
    assert [note.string for note in notes] == [2]
    assert abs(notes[0].onset_s - 0.2) < 0.003


@pytest.mark.parametrize("string", range(1, 7))
def test_vibrato_is_one_note(string: int) -> None:
    wide = Vibrato(0.2, 60.0, 6.0)
    notes, _ = listen(clean({string: [Pluck(0.2, open_note(string) + 7, 1.8, 0.9, vibrato=wide)]}, 2.2))
    assert [note.fret for note in notes] == [7]


@pytest.mark.parametrize("string", range(1, 7))
def test_a_stopped_note_ends_where_the_hand_lands(string: int) -> None:
    """Within 25 ms: the hand needs 15 ms for 60 dB, and the lowest period lasts 12."""
    notes, _ = listen(clean({string: [Pluck(0.2, open_note(string), 0.9, 0.8)]}, 1.4))
    assert len(notes) == 1
    assert 0.9 - 0.001 < notes[0].offset_s < 0.9 + 0.025


def test_a_note_that_is_left_to_ring_ends_between_26_and_42_db_below_its_peak() -> None:
    """The level is read from the clean string, over 20 ms."""
    frames = clean({2: [Pluck(0.2, open_note(2) + 12, velocity=0.8)]}, 9.0)
    notes, _ = listen(frames)
    assert len(notes) == 1
    power = np.convolve(frames[:, 1] ** 2, np.full(960, 1 / 960), "same")
    fallen_db = 10.0 * np.log10(power[round(notes[0].offset_s * RATE)] / power.max())
    assert -42.0 < fallen_db < -26.0


def test_a_neighbour_at_minus_20_db_makes_no_note_once_bleed_is_removed() -> None:
    line = {s: [Pluck(0.2 + 0.6 * (6 - s), open_note(s) + 3, 0.7 + 0.6 * (6 - s), 1.0)] for s in range(1, 7)}
    heard = add_bleed(clean(line, 4.2), BLEED)
    notes, _ = listen(heard, quiet_rig(bleed={"matrix": BLEED.tolist()}))
    assert [(note.string, note.fret) for note in notes] == [(s, 3) for s in range(6, 0, -1)]


def test_the_same_without_bleed_removal_shows_that_the_check_can_fail() -> None:
    line = {s: [Pluck(0.2 + 0.6 * (6 - s), open_note(s) + 3, 0.7 + 0.6 * (6 - s), 1.0)] for s in range(1, 7)}
    _, events = listen(add_bleed(clean(line, 4.2), BLEED))
    assert np.count_nonzero(events["kind"] == PLUCK) > 6


@pytest.mark.parametrize("mains_hz", [50.0, 60.0])
def test_hum_above_the_threshold_and_hiss_make_nothing_once_hum_is_removed(mains_hz: float) -> None:
    rng = np.random.default_rng(4)
    frames = hum(3 * RATE, 6, RATE, -45.0, mains_hz, rng) + hiss(3 * RATE, 6, -66.0, rng)
    detect = {"on_db": [-50.0] * 6, "off_db": [-56.0] * 6, "level_db": [-25.0] * 6, "floor_db": [-66.0] * 6}
    settings = quiet_rig(input={"mains_hz": mains_hz}, detect=detect)
    without_removal = quiet_rig(detect=detect)
    assert len(listen(frames, settings)[1]) == 0
    assert len(listen(frames, without_removal)[1]) > 0, "or the hum was too soft to show anything"


def test_hiss_alone_makes_nothing() -> None:
    _, events = listen(hiss(3 * RATE, 6, -62.0, np.random.default_rng(5)))
    assert len(events) == 0


@pytest.mark.parametrize("rate", [22_050, 44_100, 96_000, 192_000])
def test_the_sample_rate_changes_no_note(rate: int) -> None:
    rng = np.random.default_rng(6)
    frames = rate
    sound, _ = render_string(STRINGS[6], [Pluck(0.2, 45.0, 0.7, 0.8)], frames, rate, rng)
    take = np.zeros((frames, 6))
    take[:, 5] = sound
    settings = quiet_rig()
    processor, transcript = Processor(settings, rate), Transcript(settings, rate)
    transcript.feed(processor.process(take + hiss(frames, 6, -90.0, rng))[1])
    transcript.feed(processor.finish())
    (note,) = transcript.notes
    assert (note.string, note.note) == (6, "A2")
    assert abs(note.onset_s - 0.2) < 0.003
    assert abs(note.offset_s - 0.7) < 0.025
