"""Bass notes, foot messages and ports on stage against the MIDI standard.

Source: "MIDI 1.0 Detailed Specification", document version 4.2.1 (MMA), here M with its page or table. mido is the
reference reader.
"""

import math
from typing import Any

import mido
import pytest
from hypothesis import given
from hypothesis import strategies as st

from thumbline.dsp.live.midi_voice import BEND_STEP, MidiVoice
from thumbline.dsp.midi.foot_controller import read_press


# M page 18: pitch bend sensitivity is registered parameter 00 00, its data entry MSB in semitones. M table IIIa (from
# memory): 127, 127 lets go of a parameter. M page 20: 123 is all notes off. M page 19: the centre of pitch bend is the
# data bytes 00H, 40H.
def test_the_module_is_told_the_range_of_pitch_bend_before_any_note() -> None:
    begin = MidiVoice(2, 12).begin()
    assert [bytes(message).hex(" ") for message in begin] == [
        "b1 7b 00",
        "b1 65 00",
        "b1 64 00",
        "b1 06 0c",
        "b1 26 00",
        "b1 65 7f",
        "b1 64 7f",
        "e1 00 40",
    ]


# M page 10: middle C is 60; note on is 9nH. M page 11: a note off carries velocity 64 where there is none.
def test_a_note_and_its_end_byte_by_byte() -> None:
    notes = MidiVoice(1)
    assert notes.start(28.0, 100) == [(0x90, 28, 100)]
    assert notes.stop() == [(0x80, 28, 64)]
    assert notes.stop() == []


# M page 19: fourteen bits, the low seven first; 25 cents of two semitones are 1024 of 8192 steps: 2400H is 00, 48H.
def test_a_quarter_tone_s_half_is_an_eighth_of_the_bend() -> None:
    assert MidiVoice(1).start(33.25, 100)[0] == (0xE0, 0x00, 0x48)


@given(st.lists(st.floats(-5.0, 140.0) | st.just(math.nan), max_size=40), st.integers(1, 16), st.integers(1, 24))
def test_the_reference_reader_hears_the_pitch_that_was_meant(pitches: list[float], channel: int, reach: int) -> None:
    notes = MidiVoice(channel, reach)
    messages = list(notes.begin())
    sounding: set[int] = set()
    bend = 0.0
    for count, pitch in enumerate(pitches):
        messages = notes.start(pitch, 90) if count % 3 == 0 else notes.follow(pitch)
        for data in messages:
            message: Any = mido.Message.from_bytes(data)
            assert message.channel == channel - 1
            if message.type == "note_on":
                assert not sounding  # one voice
                sounding.add(message.note)
            elif message.type == "note_off":
                sounding.remove(message.note)
            elif message.type == "pitchwheel":
                bend = message.pitch / 8192 * reach
        if sounding and math.isfinite(pitch):
            assert min(sounding) + bend == pytest.approx(pitch, abs=BEND_STEP + reach / 8192)


# M table II: status bytes 8nH, 9nH, BnH, CnH; M page 10: note on with velocity 0 is a note off; M page 20: controllers
# 120 to 127 are channel mode messages.
@pytest.mark.parametrize(
    ("message", "read"),
    [
        ("b0 40 7f", ("control change", 1, 64, 127)),
        ("bf 0b 00", ("control change", 16, 11, 0)),
        ("93 3c 01", ("note", 4, 60, 64)),
        ("93 3c 00", ("note", 4, 60, 0)),
        ("83 3c 40", ("note", 4, 60, 0)),
        ("c9 05", ("program change", 10, 5, 127)),
        ("b0 7b 00", None),
        ("e0 00 40", None),
        ("d0 40", None),
        ("f8", None),
        ("f0 7e 7f f7", None),
    ],
)
def test_messages_of_a_foot_controller_are_read_as_the_standard_has_them(message: str, read: object) -> None:
    assert read_press(bytes.fromhex(message)) == read


def test_whatever_the_reference_writer_writes_is_read_so() -> None:
    for channel in range(16):
        for number in range(120):
            message = mido.Message("control_change", channel=channel, control=number, value=number)
            assert read_press(message.bytes()) == ("control change", channel + 1, number, number)
            message = mido.Message("program_change", channel=channel, program=number)
            assert read_press(message.bytes()) == ("program change", channel + 1, number, 127)
