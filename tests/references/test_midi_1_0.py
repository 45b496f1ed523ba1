"""Mutes and MIDI files against the standards.

Sources: "MIDI 1.0 Detailed Specification", document version 4.2.1 (MMA), here M with its page; "Standard MIDI
Files 1.0" (MMA), here F; "General MIDI System Level 1" (MMA) for sound names. mido is the reference reader.
"""

from pathlib import Path
from typing import Any, NamedTuple

import mido
import pytest

from tests.helpers.cable import arrivals, worst_case_s
from tests.helpers.sound_module import Module
from thumbline.dsp.errors import InputError
from thumbline.dsp.midi.mutes import ControlChange, MuteDecision, encode, encode_all, plan_mutes
from thumbline.dsp.midi.smf import write_bass_midi, write_mutes_midi
from thumbline.dsp.midi.wire import decision_delays

US = 1e-6


class Note(NamedTuple):
    onset_s: float
    offset_s: float
    midi: float
    velocity: int


# M page 9: control change is BnH; n is the channel, counted from 0 on the wire and from 1 by people.
@pytest.mark.parametrize(("channel", "status"), [(1, 0xB0), (2, 0xB1), (10, 0xB9), (16, 0xBF)])
def test_the_status_byte_of_a_control_change_is_bnh(channel: int, status: int):
    assert ControlChange(channel, 102, 127).bytes() == [status, 0x66, 0x7F]


def test_the_reference_reader_takes_every_control_change_for_what_it_is():
    for channel in range(1, 17):
        for controller in range(120):
            message: Any = mido.Message.from_bytes(ControlChange(channel, controller, controller).bytes())
            read = (message.type, message.channel, message.control, message.value)
            assert read == ("control_change", channel - 1, controller, controller)


# M page 11: "There are currently 120 controller numbers, from 0 through 119". M page 20: 120 to 127 are
# channel mode messages; 123 (all notes off) sent as a mute would silence the module.
@pytest.mark.parametrize("controller", [*range(120, 128), 128, -1])
def test_channel_mode_messages_are_never_sent_as_controllers(controller: int):
    with pytest.raises(InputError, match=f"controller is {controller}; 0 to 119"):
        ControlChange(1, controller, 0)


# M page 6: the first bit of a data byte is 0.
@pytest.mark.parametrize("value", [-1, 128])
def test_a_value_that_is_no_data_byte_is_refused(value: int):
    with pytest.raises(InputError, match=f"is {value}; 0 to 127"):
        ControlChange(1, 102, value)


@pytest.mark.parametrize("channel", [0, 17])
def test_a_channel_other_than_1_to_16_is_refused(channel: int):
    with pytest.raises(InputError, match=f"channel is {channel}; 1 to 16"):
        ControlChange(channel, 102, 0)


def test_a_hand_over_from_string_6_to_string_5_as_bytes():
    decisions = plan_mutes([(0.0, {6}), (1.0, {5})], 2.0, strings=6)
    hand_over = [m.bytes() for d in decisions if d.time_s == 1.0 for m in encode(d, [Module(channel=3)])]
    assert hand_over == [[0xB2, 0x6A, 0x00], [0xB2, 0x6B, 0x7F]]


# M "Hardware": ten bits a byte, "a period of 320 microseconds per serial byte". M page 9: a message of three
# bytes requires "960 microseconds for transmission"; with its status byte left out (M page 5) two take 640.
def test_three_bytes_take_960_us_and_two_bytes_with_running_status_640_us():
    first, second = arrivals([(0.0, ControlChange(1, 102, 127).bytes()), (1.0, ControlChange(1, 103, 0).bytes())])
    assert first == pytest.approx(960 * US, abs=1e-12)
    assert second - 1.0 == pytest.approx(640 * US, abs=1e-12)


# M page A-1, the worked examples of running status: C, E and G struck, sent as 90 3C 27 40 2B 43 25; C struck
# and released, D struck, which stays at nine bytes with 80H for the release; seven with a velocity of 0.
@pytest.mark.parametrize(
    ("messages", "sent_bytes"),
    [
        ("90 3C 27, 90 40 2B, 90 43 25", 7),
        ("90 3C 27, 80 3C 40, 90 3E 29", 9),
        ("90 3C 27, 90 3C 00, 90 3E 29", 7),
    ],
)
def test_running_status_saves_what_it_saves_in_the_standard_s_examples(messages: str, sent_bytes: int):
    queue = [(0.0, bytes.fromhex(message)) for message in messages.split(",")]
    assert arrivals(queue)[-1] == pytest.approx(sent_bytes * 320 * US, abs=1e-12)
    assert arrivals(queue, running_status=False)[-1] == pytest.approx(9 * 320 * US, abs=1e-12)


def test_six_control_changes_in_a_row_arrive_as_reckoned_by_hand():
    every_string = [MuteDecision(0.0, string, False) for string in range(1, 7)]
    by_hand = [960, 1600, 2240, 2880, 3520, 4160]
    assert decision_delays(every_string, [Module()]) == pytest.approx([us * US for us in by_hand], abs=1e-12)
    assert worst_case_s(6, [Module()]) == pytest.approx(4160 * US, abs=1e-12)
    assert worst_case_s(6, [Module()], running_status=False) == pytest.approx(6 * 960 * US, abs=1e-12)


def test_a_second_module_on_another_channel_doubles_the_whole_messages():
    # Channels that take turns leave no status byte out: 12 messages of 960 us.
    assert worst_case_s(6, [Module(), Module(channel=2)]) == pytest.approx(11_520 * US, abs=1e-12)


# F: header chunk, length 6, format 0, one track, division; track chunk; delta times as variable-length
# quantities; meta events FF 03 (track name), FF 51 03 (tempo), FF 2F 00 (end of track); running status.
def test_a_mutes_file_byte_by_byte(tmp_path: Path):
    path = tmp_path / "mutes.mid"
    decisions = [MuteDecision(0.5, 5, True), MuteDecision(0.5, 6, False), MuteDecision(0.505, 6, True)]
    write_mutes_midi(path, encode_all(decisions, [Module()]), end_s=1.0, name="m")
    # 0.5 s = 9600 ticks = 4B00H = CB 00; 5 ms = 96 ticks = 60H; 0.495 s = 9504 ticks = 2520H = CA 20.
    expected = """
        4D 54 68 64  00 00 00 06  00 00  00 01  25 80
        4D 54 72 6B  00 00 00 1C
        00 FF 03 01 6D
        00 FF 51 03 07 A1 20
        CB 00 B0 6A 00
        00 6B 7F
        60 6B 00
        CA 20 FF 2F 00
    """
    assert path.read_bytes() == bytes.fromhex(expected)


def test_the_reference_reader_finds_the_same_mutes_at_the_same_times(tmp_path: Path):
    path = tmp_path / "mutes.mid"
    changes = [(0.1234, {6}), (0.777, {5}), (0.779, {4}), (3.00005, {1, 2, 3, 4, 5, 6}), (7.5, {2})]
    decisions = plan_mutes(changes, 9.0, strings=6, order="gap", gap_s=0.005)
    messages = encode_all(decisions, [Module(), Module("second", channel=16)])
    write_mutes_midi(path, messages, end_s=9.0)
    now_s = 0.0
    read: list[tuple[float, list[int]]] = []
    for message in mido.MidiFile(path):
        now_s += message.time
        if not message.is_meta:
            read.append((now_s, message.bytes()))
    assert [data for _, data in read] == [message.bytes() for _, message in messages]
    assert [time_s for time_s, _ in read] == pytest.approx([time_s for time_s, _ in messages], abs=27 * US)
    assert mido.MidiFile(path).length == pytest.approx(9.0)


# M page 18: pitch bend sensitivity is registered parameter 00 00, its data entry MSB in semitones. M page 19:
# the centre of pitch bend is the data bytes 00H, 40H. M page 11: a note off without velocity carries 64.
# General MIDI: program 34 is "Electric Bass (finger)", 33 (21H) as sent. From memory of M table IIIa:
# 127, 127 lets go of a parameter.
def test_a_bass_file_byte_by_byte(tmp_path: Path):
    path = tmp_path / "bass.mid"
    # Open A string, 25 cents sharp, an octave down: key 33 (21H) and 1024 of the 8192 steps in two semitones.
    write_bass_midi(path, [Note(0.5, 1.0, 45.25, 100)], interval=-12, end_s=1.0, name="b")
    # 2000H + 400H = 2400H: seven bits each, 00H and 48H.
    expected = """
        4D 54 68 64  00 00 00 06  00 00  00 01  25 80
        4D 54 72 6B  00 00 00 37
        00 FF 03 01 62
        00 FF 51 03 07 A1 20
        00 B0 65 00
        00 64 00
        00 06 02
        00 26 00
        00 65 7F
        00 64 7F
        00 C0 21
        00 E0 00 40
        CB 00 00 48
        00 90 21 64
        CB 00 80 21 40
        00 FF 2F 00
    """
    assert path.read_bytes() == bytes.fromhex(expected)


# M page 10: middle C is 60. The low E string (E2, 40) an octave down is the E string of a bass (E1, 28).
def test_the_low_e_string_an_octave_down_is_the_low_e_string_of_a_bass(tmp_path: Path):
    path = tmp_path / "bass.mid"
    write_bass_midi(path, [Note(0.0, 1.0, 40.0, 64)], interval=-12, end_s=1.0)
    assert [message.note for message in mido.MidiFile(path) if message.type == "note_on"] == [28]
