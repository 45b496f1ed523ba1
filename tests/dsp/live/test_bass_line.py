"""The bass line as notes, event by event."""

import pytest

from thumbline.dsp.live.bass_line import LiveBassLine
from thumbline.dsp.memory.events import BY_PLUCK, END, HANDOVER, LOCK, PITCH, PLUCK
from thumbline.dsp.processor.parameters import compile_parameters
from thumbline.dsp.rig.model import Rig

ON, OFF, BEND = 0x90, 0x80, 0xE0
E2, A2 = 82.4069, 110.0


@pytest.fixture
def line() -> LiveBassLine:
    line = LiveBassLine(1, 2)
    line.tune(440.0, -12.0, compile_parameters(Rig(), 48000)[0]["typical_power"])
    return line


def event(kind: int, string: int, value: float = 0.0, extra: float = 0.0, level: float = -25.0) -> tuple[float, ...]:
    return 0, 0, kind, string, value, extra, level


def fed(line: LiveBassLine, *events: tuple[float, ...]) -> list[tuple[int, int]]:
    """Status and key of the notes that begin and end."""
    messages = [message for each in events for message in line.feed(each)]
    return [(status, key) for status, key, _ in messages if status in (ON, OFF)]


def test_a_note_begins_when_the_pitch_is_known_an_octave_down_and_ends_with_the_string(line: LiveBassLine) -> None:
    assert fed(line, event(PLUCK, 6), event(HANDOVER, 6, 0, BY_PLUCK)) == []
    assert fed(line, event(LOCK, 6, E2)) == [(ON, 28)]
    assert fed(line, event(END, 6)) == [(OFF, 28)]


def test_the_bass_passes_to_a_string_that_sounds_already(line: LiveBassLine) -> None:
    fed(line, event(PLUCK, 6), event(HANDOVER, 6), event(LOCK, 6, E2), event(PLUCK, 5), event(LOCK, 5, A2))
    assert fed(line, event(HANDOVER, 5)) == [(OFF, 28), (ON, 33)]
    assert fed(line, event(END, 6)) == []
    assert fed(line, event(HANDOVER, 0)) == [(OFF, 33)]


def test_a_usual_note_has_the_usual_velocity_and_a_louder_one_more(line: LiveBassLine) -> None:
    line.feed(event(HANDOVER, 6))
    assert line.feed(event(LOCK, 6, E2, level=-25.0))[-1][2] == 88
    assert line.feed(event(LOCK, 6, E2, level=-20.0))[-1][2] == 98


def test_a_bend_is_followed_and_a_slide_beyond_it_is_a_new_note(line: LiveBassLine) -> None:
    fed(line, event(HANDOVER, 6), event(LOCK, 6, E2))
    ((status, low, high),) = line.feed(event(PITCH, 6, E2 * 2 ** (1 / 12)))
    assert status == BEND
    assert (high << 7 | low) == pytest.approx(8192 + 4096, abs=2)
    assert fed(line, event(PITCH, 6, E2 * 2 ** (3 / 12))) == [(OFF, 28), (ON, 31)]


def test_while_all_is_open_nothing_begins_but_pitches_are_remembered(line: LiveBassLine) -> None:
    for each in (event(HANDOVER, 6), event(LOCK, 6, E2)):
        assert line.feed(each, playing=False) == []
    assert fed(line, event(PITCH, 6, E2)) == [(ON, 28)]
    assert line.silence() == [(OFF, 28, 64)]
