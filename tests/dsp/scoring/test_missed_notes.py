"""Why notes are missed, on sounds that lack exactly one thing, and by settings that forbid exactly one."""

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from thumbline.dsp.memory.events import NOTE
from thumbline.dsp.processor.processor import Processor
from thumbline.dsp.processor.transcript import Transcript
from thumbline.dsp.rig.model import Rig
from thumbline.dsp.scoring.missed_notes import why_false, why_missed
from thumbline.dsp.scoring.truth import TrueNote
from thumbline.dsp.synthetic.string_model import Pluck, Signal

RATE = 48_000
DETECT = {"on_db": [-45.0] * 6, "off_db": [-60.0] * 6, "level_db": [-25.0] * 6}


def rig_with(**detect: Any) -> Rig:
    return Rig.model_validate({"detect": DETECT | detect, "input": {"mains_hz": "off"}})


def true_note(string: int, midi: float, onset_s: float, offset_s: float) -> TrueNote:
    return TrueNote(string, midi, onset_s, offset_s, offset_s, offset_s)


def why(frames: Signal, note: TrueNote, **detect: Any) -> str:
    """The reason that is given; the note must be missed."""
    rig = rig_with(**detect)
    processor, transcript = Processor(rig, RATE), Transcript(rig, RATE)
    for events in (processor.decide(frames), processor.finish()):
        transcript.feed(events)
    assert not [n for n in transcript.notes if n.string == note.string and abs(n.onset_s - note.onset_s) < 0.05]
    (said,) = why_missed(frames, RATE, rig, [note], transcript.notes)
    return said.why


def alone(sound: Signal, string: int) -> Signal:
    """The sound on one string of six from 0.2 s on."""
    frames = np.zeros((round(0.2 * RATE) + len(sound) + RATE // 4, 6))
    frames[round(0.2 * RATE) :][: len(sound), string - 1] = sound
    return frames


def times(lasts_s: float) -> Signal:
    return np.arange(round(lasts_s * RATE)) / RATE


def test_a_note_under_the_threshold_is_told_by_how_much(play: Callable[..., Signal]) -> None:
    frames = play({3: Pluck(0.2, 57.0)}, 0.8)
    loudest = np.sqrt(np.convolve(frames[:, 2] ** 2, np.full(48, 1 / 48), "valid").max())  # of its milliseconds
    on_db = 20 * np.log10(loudest) + 6.0
    said = why(frames, true_note(3, 57.0, 0.2, 0.8), on_db=[on_db] * 6, off_db=[on_db - 5.0] * 6)
    assert said.startswith("its loudest was ")
    assert float(said.split(", ")[1].split(" dB under")[0]) == pytest.approx(6.0, abs=0.7)


def test_noise_has_no_pitch() -> None:
    noise = 0.3 * np.random.default_rng(2).standard_normal(round(0.1 * RATE))
    said = why(alone(noise, 4), true_note(4, 50.0, 0.2, 0.3))
    assert "plucked, but no note: it has no pitch: its wave repeats itself by 0." in said
    assert "and 0.70 is asked" in said


def test_a_sound_that_dies_too_fast_is_told_how_fast() -> None:
    t = times(0.1)
    said = why(alone(0.5 * np.sin(2 * np.pi * 330.0 * t) * 10 ** (-650.0 * t / 20), 1), true_note(1, 64.0, 0.2, 0.3))
    assert "dies as a damped string does: by 6" in said  # 650 dB per second
    assert "less than 550 is asked" in said


def test_a_blip_is_told_how_long_it_kept_its_pitch() -> None:
    t = times(0.02)
    said = why(alone(0.3 * np.sin(2 * np.pi * 440.0 * t), 1), true_note(1, 69.0, 0.2, 0.22), strictness=3.0)
    assert "its pitch has stayed for " in said
    assert "; a lower detect.strictness asks for less" in said
    had, asked = (float(each) for each in said.split("stayed for ")[1].split(" ms that")[0].split(" of the "))
    assert had < 20.0 < asked == pytest.approx(3 * 11.0, abs=3.0)


def test_a_softer_sound_than_another_string_may_leave_is_told_so(play: Callable[..., Signal]) -> None:
    frames = play({6: Pluck(0.1, 40.0)}, 0.8)
    t = np.arange(len(frames)) / RATE
    frames[:, 1] += np.where(t > 0.3, 0.0008 * np.sin(2 * np.pi * 247.0 * t), 0.0)
    said = why(frames, true_note(2, 59.0, 0.3, 0.8), on_db=[-80.0] * 6, off_db=[-90.0] * 6)
    assert "softer than what the loudest other string may leave here" in said


def test_the_limit_under_which_a_note_fell_is_told() -> None:
    t = times(0.3)
    fading = 0.1 * np.sin(2 * np.pi * 110.0 * t) * 10 ** (-500.0 * t / 20)
    said = why(alone(fading, 5), true_note(5, 45.0, 0.2, 0.5), on_db=[-30.0] * 6, off_db=[-31.0] * 6)
    assert said.endswith("; then it fell below the -31.0 dBFS of detect.off_db")


def test_a_note_read_wrongly_is_told_with_what_it_was_read_as(play: Callable[..., Signal]) -> None:
    frames = play({3: Pluck(0.2, 57.0)}, 0.8)
    rig = rig_with()
    processor, transcript = Processor(rig, RATE), Transcript(rig, RATE)
    for events in (processor.decide(frames), processor.finish()):
        transcript.feed(events)
    (said,) = why_missed(frames, RATE, rig, [true_note(3, 58.0, 0.2, 0.8)], transcript.notes)
    assert said.why.startswith("found as A3, -10")
    (late,) = why_missed(frames, RATE, rig, [true_note(3, 57.0, 0.1, 0.8)], transcript.notes)
    assert late.why.startswith("found 10")
    assert late.why.endswith(" ms too late")


def test_a_false_note_is_told_what_it_was_believed_for(play: Callable[..., Signal]) -> None:
    frames = play({3: Pluck(0.2, 57.0)}, 0.8)
    (said,) = why_false(frames, RATE, rig_with(), [true_note(3, 57.0, 0.2, 0.8)])
    assert "over the -45.0 dBFS of detect.on_db, it kept its pitch for the 1" in said.why


def test_less_strictness_finds_what_was_too_brief() -> None:
    t = times(0.02)
    frames = alone(0.3 * np.sin(2 * np.pi * 440.0 * t), 1)
    for strictness, found in ((0.5, True), (3.0, False)):
        processor = Processor(rig_with(strictness=strictness), RATE)
        assert bool((processor.decide(frames)["kind"] == NOTE).any()) is found
