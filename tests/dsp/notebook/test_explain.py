"""The reasons that are given for a decision, on takes in which the reason is known."""

from collections.abc import Callable
from typing import Any

import numpy as np

from tests.material.benches import demo_bench, demo_rig
from thumbline.dsp.notebook.explain import Explanation, explain
from thumbline.dsp.processor.processor import Processor
from thumbline.dsp.rig.model import Rig
from thumbline.dsp.synthetic.string_model import Pluck, Signal

RATE = 48_000
DETECT = {"on_db": [-45.0] * 6, "off_db": [-60.0] * 6}


def reasons(frames: Signal, moment_s: float, **sections: Any) -> Explanation:
    rig = Rig.model_validate({"detect": DETECT, "input": {"mains_hz": "off"}, **sections})
    processor = Processor(rig, RATE)
    events = processor.decide(frames[: round(moment_s * RATE)])
    return explain(processor, events, moment_s)


def two_strings(play: Callable[..., Signal]) -> Signal:
    return play({3: Pluck(0.05, 57.0), 5: Pluck(0.15, 45.0, stop_s=0.4)}, 0.8)


def test_before_anything_sounds_no_string_is_the_bass(play: Callable[..., Signal]) -> None:
    found = reasons(two_strings(play), 0.03)
    assert found.bass == 0
    assert found.headline == "At 0.030 s no string is the bass: none has sounded yet."
    assert "under the -45.0 dBFS at which it would begin to sound" in found.strings[2].what
    assert not any(each.sounds for each in found.strings)


def test_the_lower_of_two_strings_is_the_bass_because_it_was_plucked(play: Callable[..., Signal]) -> None:
    found = reasons(two_strings(play), 0.3)
    assert found.bass == 5
    assert found.headline.startswith("At 0.300 s string 5 (A2) is the bass: it was plucked at 0.15")
    assert found.strings[4].what.startswith("sounds A2 (110")
    assert found.strings[4].verdict == 'it is the bass: the "lowest string" of all that sound'
    assert found.strings[2].what.startswith("sounds A3 (22")
    assert found.strings[2].verdict == "string 5 (A2) is lower on the neck"


def test_a_pluck_just_heard_has_no_pitch_yet(play: Callable[..., Signal]) -> None:
    found = reasons(two_strings(play), 0.155)
    assert found.bass == 5
    assert "dB above its threshold; no note yet: its pitch is not known yet" in found.strings[4].what


def test_after_the_lower_string_was_stopped_the_other_has_the_bass_and_is_told_why(play: Callable[..., Signal]) -> None:
    found = reasons(two_strings(play), 0.6)
    assert found.bass == 3
    assert "string 5 (A2) stopped at 0.4" in found.headline
    assert "and it sounds on" in found.headline
    assert "its last note " in found.strings[4].what
    assert " at 0.4" in found.strings[4].what  # stopped, or faded: a stop as sudden as this one is both at once
    assert found.strings[2].verdict == "it is the bass: no other sounds"


def test_a_string_that_may_not_carry_the_bass_is_told_so(play: Callable[..., Signal]) -> None:
    found = reasons(two_strings(play), 0.3, choice={"strings": [1, 2, 3]})
    assert found.bass == 3
    assert found.strings[4].verdict == "it may not carry the bass (choice.strings)"
    assert "of the strings that may carry the bass" in found.strings[2].verdict


def test_a_note_above_the_highest_bass_note_is_told_so(play: Callable[..., Signal]) -> None:
    found = reasons(two_strings(play), 0.6, choice={"highest_note": "E3"})
    assert found.bass == 0
    assert "higher than the bass may be (choice.highest_note is E3)" in found.strings[2].verdict


def test_a_string_that_waits_for_a_strum_or_for_the_hold_is_told_so(play: Callable[..., Signal]) -> None:
    settling = reasons(two_strings(play), 0.17, choice={"settle_ms": 50.0})
    assert settling.strings[4].verdict == "it will be the bass, but choice.settle_ms is not over"
    assert settling.strings[2].verdict == "it keeps the bass while the next one waits"
    holding = reasons(two_strings(play), 0.17, choice={"shortest_ms": 300.0})
    assert holding.strings[4].verdict == "it will be the bass, but choice.shortest_ms keeps the bass where it is"


def test_the_other_rules_give_their_own_reasons(play: Callable[..., Signal]) -> None:
    frames = play({5: Pluck(0.05, 57.0), 3: Pluck(0.15, 55.0)}, 0.5)
    lowest_pitch = reasons(frames, 0.4, choice={"rule": "lowest pitch"})
    assert (lowest_pitch.bass, lowest_pitch.strings[4].verdict) == (3, "string 3 (G3) sounds lower")
    last = reasons(frames, 0.4, choice={"rule": "last plucked"})
    assert (last.bass, last.strings[4].verdict) == (3, "string 3 (G3) was plucked later")


def test_what_a_loud_string_may_leave_in_another_channel_is_not_a_pluck(play: Callable[..., Signal]) -> None:
    frames = play({3: Pluck(0.05, 57.0)}, 0.4)
    frames[:, 4] = 0.01 * frames[:, 2]
    found = reasons(frames, 0.2, detect={"on_db": [-80.0] * 6, "off_db": [-90.0] * 6})
    assert found.bass == 3
    assert "softer than string 3 (G3), which may leave that much here" in found.strings[4].what


def test_a_note_that_faded_is_told_from_one_that_was_stopped(play: Callable[..., Signal]) -> None:
    frames = play({2: Pluck(0.05, 59.0)}, 3.0) * np.exp(-np.arange(3 * RATE) / (0.4 * RATE))[:, np.newaxis]
    found = reasons(frames, 2.9, detect={"on_db": [-30.0] * 6, "off_db": [-45.0] * 6})
    assert "its last note faded below its -45.0 dBFS" in found.strings[1].what


def test_the_reasons_agree_with_the_decisions_everywhere_in_the_demo() -> None:
    bench, rig = demo_bench(), demo_rig(on_db=-30.0)
    handovers = bench.decisions(rig).handovers
    for moment_s in np.arange(0.25, bench.seconds, 2.11):
        bass = [each.string for each in handovers if each.decided_s <= moment_s][-1:] or [0]
        found = bench.explain(rig, float(moment_s))
        assert found.bass == bass[0]
        assert [each.string for each in found.strings if each.verdict.startswith("it is the bass")] == (
            [found.bass] if found.bass else []
        )


def test_a_notebook_gets_a_table_and_plain_text(play: Callable[..., Signal]) -> None:
    shown = reasons(two_strings(play), 0.3)._repr_mimebundle_()
    assert shown["text/plain"].splitlines()[0] == shown["text/markdown"].splitlines()[0].strip("*")
    assert shown["text/markdown"].count("\n| ") == 1 + 6
    assert "| **5** |" in shown["text/markdown"]


def test_while_hum_is_learned_nothing_is_listened_for(play: Callable[..., Signal]) -> None:
    found = reasons(two_strings(play), 0.02, input={"mains_hz": 50.0})
    assert "hum is still being learned" in str(found)


def test_a_string_that_the_hold_has_let_pass_has_the_bass_by_the_rule(play: Callable[..., Signal]) -> None:
    found = reasons(two_strings(play), 0.38, choice={"shortest_ms": 300.0})
    assert found.bass == 5
    assert 'string 5 (A2) is the bass: the rule "lowest string" gave it the bass at 0.35' in found.headline


def test_a_string_whose_note_proves_too_high_has_not_stopped(play: Callable[..., Signal]) -> None:
    found = reasons(play({3: Pluck(0.05, 57.0)}, 0.8), 0.6, choice={"highest_note": "E3"})
    assert (found.bass, found.strings[2].sounds) == (0, True)
    assert "string 3 (G3) may carry it no longer since 0.0" in found.headline
    assert "stopped" not in found.headline


def test_without_the_split_no_string_is_wanted(play: Callable[..., Signal]) -> None:
    processor = Processor(Rig.model_validate({"detect": DETECT, "input": {"mains_hz": "off"}}), RATE)
    processor.state[0]["controls"]["split"] = 0
    found = explain(processor, processor.decide(play({3: Pluck(0.05, 57.0)}, 0.4)), 0.4)
    assert (found.bass, found.strings[2].verdict) == (0, "it is not wanted: the split is off")
