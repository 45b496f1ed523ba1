import errno
import math
import os
from collections.abc import Iterable
from pathlib import Path
from typing import NamedTuple

import mido
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.helpers.midi_reading import midi_messages
from thumbline.dsp.errors import InputError
from thumbline.dsp.midi.mutes import ControlChange
from thumbline.dsp.midi.smf import LONGEST_DELTA, TICKS_PER_SECOND, write_bass_midi, write_mutes_midi

HALF_TICK_S = 0.5 / TICKS_PER_SECOND


class Note(NamedTuple):
    onset_s: float
    offset_s: float
    midi: float
    velocity: int = 80


class Played(NamedTuple):
    onset_s: float
    offset_s: float
    key: int
    bend: int
    velocity: int


def played(path: Path) -> list[Played]:
    """The notes of a file with the bend in force as each begins; fails when two sound at once."""
    notes: list[Played] = []
    bend = 0
    sounding: Played | None = None
    for now_s, message in midi_messages(path):
        if message.type == "pitchwheel":
            assert sounding is None, "a note is bent while it sounds"
            bend = message.pitch
        elif message.type == "note_on":
            assert sounding is None, "two notes sound at once"
            sounding = Played(now_s, math.nan, message.note, bend, message.velocity)
        elif message.type == "note_off":
            assert sounding is not None
            assert message.note == sounding.key
            notes.append(sounding._replace(offset_s=now_s))
            sounding = None
    assert sounding is None, "a note never ends"
    return notes


def bass(
    tmp_path: Path, notes: Iterable[Note], *, interval: float = 0, end_s: float = 10.0, channel: int = 1
) -> list[Played]:
    path = tmp_path / "bass.mid"
    count = write_bass_midi(path, notes, interval=interval, end_s=end_s, channel=channel)
    result = played(path)
    assert count == len(result)
    return result


def end_of(path: Path) -> float:
    now_s, last = midi_messages(path)[-1]
    assert last.type == "end_of_track"
    return now_s


def test_a_note_sounds_an_interval_from_where_it_was_played(tmp_path: Path):
    [note] = bass(tmp_path, [Note(1.0, 2.0, 40.0)], interval=-12)
    assert (note.key, note.bend) == (28, 0)


def test_the_nearest_key_is_bent_by_the_cents_that_remain(tmp_path: Path):
    sharp, flat = bass(tmp_path, [Note(1.0, 2.0, 40.25), Note(3.0, 4.0, 39.75)])
    # A quarter of a semitone is an eighth of the two semitones to which 8192 steps reach.
    assert (sharp.key, sharp.bend) == (40, 1024)
    assert (flat.key, flat.bend) == (40, -1024)


def test_the_bend_goes_back_to_the_centre_for_a_note_in_tune(tmp_path: Path):
    assert [note.bend for note in bass(tmp_path, [Note(1.0, 2.0, 40.25), Note(3.0, 4.0, 41.0)])] == [1024, 0]


def test_a_note_ends_where_the_next_begins(tmp_path: Path):
    first, second = bass(tmp_path, [Note(1.0, 3.0, 40.0), Note(2.0, 4.0, 45.1)])
    assert first.offset_s == second.onset_s == pytest.approx(2.0)


def test_a_note_and_the_track_end_with_the_take(tmp_path: Path):
    [note] = bass(tmp_path, [Note(1.0, 7.0, 40.0)], end_s=3.5)
    assert note.offset_s == end_of(tmp_path / "bass.mid") == pytest.approx(3.5)


def test_a_note_ends_with_the_take_even_when_the_next_would_begin_later(tmp_path: Path):
    [note] = bass(tmp_path, [Note(1.0, 7.0, 40.0), Note(5.0, 7.0, 41.0)], end_s=3.5)
    assert note.offset_s == pytest.approx(3.5)


def test_a_note_that_began_before_the_take_begins_with_it(tmp_path: Path):
    [note] = bass(tmp_path, [Note(-0.001, 1.0, 40.0)])
    assert note.onset_s == 0.0


def test_the_track_of_a_take_without_notes_lasts_as_long_as_the_take(tmp_path: Path):
    assert bass(tmp_path, [], end_s=3.5) == []
    assert end_of(tmp_path / "bass.mid") == pytest.approx(3.5)


def test_a_note_without_length_lasts_one_tick(tmp_path: Path):
    [note] = bass(tmp_path, [Note(1.0, 1.0, 40.0)])
    assert note.offset_s - note.onset_s == pytest.approx(2 * HALF_TICK_S)


def test_of_two_notes_in_one_moment_the_longer_remains(tmp_path: Path):
    assert [note.key for note in bass(tmp_path, [Note(1.0, 3.0, 40.0), Note(1.0, 2.0, 45.0)])] == [40]


def test_notes_without_a_key_or_a_pitch_are_left_out(tmp_path: Path):
    notes = [Note(1.0, 2.0, -0.51), Note(2.0, 3.0, 127.6), Note(3.0, 4.0, math.nan), Note(4.0, 5.0, 60.0)]
    assert [note.key for note in bass(tmp_path, notes)] == [60]


def test_a_note_after_the_end_of_the_take_is_left_out(tmp_path: Path):
    assert bass(tmp_path, [Note(11.0, 12.0, 40.0)], end_s=10.0) == []


def test_a_velocity_stays_where_it_strikes_a_note(tmp_path: Path):
    notes = [Note(1.0, 2.0, 40.0, 0), Note(2.0, 3.0, 40.0, 77), Note(3.0, 4.0, 40.0, 200)]
    assert [note.velocity for note in bass(tmp_path, notes)] == [1, 77, 127]


def test_every_message_goes_to_the_chosen_channel(tmp_path: Path):
    bass(tmp_path, [Note(1.0, 2.0, 40.2)], channel=16)
    assert {message.channel for _, message in midi_messages(tmp_path / "bass.mid") if not message.is_meta} == {15}


def test_a_channel_that_midi_lacks_is_refused_and_nothing_is_written(tmp_path: Path):
    with pytest.raises(InputError, match="MIDI channel is 17; 1 to 16"):
        bass(tmp_path, [], channel=17)
    assert list(tmp_path.iterdir()) == []


def test_the_same_notes_give_the_same_bytes(tmp_path: Path):
    notes = [Note(1.0, 2.0, 40.2), Note(2.5, 3.0, 43.9)]
    bass(tmp_path, notes)
    once = (tmp_path / "bass.mid").read_bytes()
    bass(tmp_path, notes)
    assert (tmp_path / "bass.mid").read_bytes() == once


@given(
    st.lists(
        st.tuples(st.floats(0, 9.9), st.floats(0, 10), st.floats(28, 90), st.integers(1, 127)),
        max_size=20,
    )
)
def test_any_notes_come_back_apart_in_tune_and_in_time(
    tmp_path_factory: pytest.TempPathFactory, rows: list[tuple[float, float, float, int]]
):
    notes = [Note(min(a, b), max(a, b), midi, velocity) for a, b, midi, velocity in rows]
    result = bass(tmp_path_factory.mktemp("bass"), notes)
    for note in result:
        pitch = note.key + note.bend / 8192 * 2
        close = [given for given in notes if abs(given.onset_s - note.onset_s) <= HALF_TICK_S + 1e-9]
        assert any(abs(given.midi - pitch) * 100 <= 0.0125 and given.velocity == note.velocity for given in close)
        assert note.offset_s > note.onset_s
    onsets = {round(note.onset_s * TICKS_PER_SECOND) for note in notes}
    assert len(result) == len(onsets)


def test_the_tick_is_finer_than_a_tenth_of_a_millisecond(tmp_path: Path):
    path = tmp_path / "mutes.mid"
    moments = [k * 0.0001 for k in range(1000)]
    write_mutes_midi(path, [(moment, ControlChange(1, 102, k % 128)) for k, moment in enumerate(moments)], end_s=1)
    read = [now_s for now_s, message in midi_messages(path) if message.type == "control_change"]
    assert max(abs(a - b) for a, b in zip(read, moments, strict=True)) <= 0.00005


def test_mutes_of_one_moment_keep_their_order(tmp_path: Path):
    path = tmp_path / "mutes.mid"
    messages = [(1.0, ControlChange(2, controller, 127)) for controller in (107, 102, 105)]
    write_mutes_midi(path, messages, end_s=2.0)
    read = [message for _, message in midi_messages(path) if message.type == "control_change"]
    assert [(m.channel, m.control, m.value) for m in read] == [(1, 107, 127), (1, 102, 127), (1, 105, 127)]


def test_a_mute_after_the_end_of_the_take_moves_the_end_of_the_track(tmp_path: Path):
    path = tmp_path / "mutes.mid"
    write_mutes_midi(path, [(2.5, ControlChange(1, 102, 0))], end_s=2.0)
    assert end_of(path) == pytest.approx(2.5)


def test_mutes_that_go_back_in_time_are_refused_and_what_was_there_stays(tmp_path: Path):
    path = tmp_path / "mutes.mid"
    path.write_bytes(b"earlier")
    with pytest.raises(InputError, match=r"at 1.0 s follows one at 2.0 s"):
        write_mutes_midi(path, [(2.0, ControlChange(1, 102, 0)), (1.0, ControlChange(1, 102, 0))], end_s=3.0)
    assert path.read_bytes() == b"earlier"


def test_a_name_in_any_script_is_written(tmp_path: Path):
    path = tmp_path / "mutes.mid"
    write_mutes_midi(path, [], end_s=1.0, name="Übung 低音")
    assert mido.MidiFile(path, charset="utf-8").tracks[0].name == "Übung 低音"


def test_a_silence_longer_than_a_delta_time_can_hold_is_bridged(tmp_path: Path):
    path = tmp_path / "mutes.mid"
    last_s = 2.5 * LONGEST_DELTA / TICKS_PER_SECOND
    write_mutes_midi(path, [(last_s, ControlChange(1, 102, 0))], end_s=last_s)
    [track] = mido.MidiFile(path).tracks
    assert max(message.time for message in track) == LONGEST_DELTA
    [moment] = [now_s for now_s, message in midi_messages(path) if message.type == "control_change"]
    assert moment == pytest.approx(last_s, abs=1e-4)


def test_only_the_whole_file_is_left_in_the_folder(tmp_path: Path):
    write_mutes_midi(tmp_path / "mutes.mid", [], end_s=1.0)
    assert [path.name for path in tmp_path.iterdir()] == ["mutes.mid"]


def test_a_disk_that_fills_up_leaves_what_was_there(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    path = tmp_path / "mutes.mid"
    path.write_bytes(b"earlier")

    def full_disk(_descriptor: int) -> None:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr(os, "fsync", full_disk)
    with pytest.raises(InputError, match=r"mutes\.mid: cannot be written \(No space left on device\)"):
        write_mutes_midi(path, [], end_s=1.0)
    assert [(file.name, file.read_bytes()) for file in tmp_path.iterdir()] == [("mutes.mid", b"earlier")]


@pytest.mark.parametrize("blocked", ["missing/mutes.mid", "file/mutes.mid", "folder"])
def test_a_place_that_cannot_be_written_is_named_and_left_as_it_was(tmp_path: Path, blocked: str):
    (tmp_path / "file").write_text("kept")
    (tmp_path / "folder" / "inner").mkdir(parents=True)
    before = sorted(tmp_path.rglob("*"))
    with pytest.raises(InputError, match=f"{blocked}: (cannot be written|is not a regular file)"):
        write_mutes_midi(tmp_path / blocked, [], end_s=1.0)
    assert sorted(tmp_path.rglob("*")) == before
