"""Truth from MIDI files that another library writes."""

from collections.abc import Sequence
from pathlib import Path

import mido
import pytest

from thumbline.dsp.errors import InputError
from thumbline.dsp.rig.model import Rig
from thumbline.dsp.scoring.truth import TrueNote, load_truth

BEAT = 480


def write(path: Path, *tracks: Sequence[mido.Message | mido.MetaMessage]) -> Path:
    file = mido.MidiFile(type=1, ticks_per_beat=BEAT)
    file.tracks.extend(mido.MidiTrack(track) for track in tracks)
    file.save(path)
    return path


def on(string: int, key: int, ticks: int = 0, velocity: int = 90) -> mido.Message:
    return mido.Message("note_on", channel=string - 1, note=key, velocity=velocity, time=ticks)


def off(string: int, key: int, ticks: int = 0) -> mido.Message:
    return mido.Message("note_off", channel=string - 1, note=key, time=ticks)


def read(path: Path, *tracks: Sequence[mido.Message | mido.MetaMessage]) -> tuple[TrueNote, ...]:
    return load_truth(write(path, *tracks), Rig())


def test_a_channel_is_a_string(tmp_path: Path) -> None:
    notes = read(tmp_path / "a.mid", [on(6, 40), on(1, 64, BEAT), off(6, 40, BEAT), off(1, 64, BEAT)])
    assert notes == (TrueNote(6, 40.0, 0.0, 1.0, 1.0, 1.0), TrueNote(1, 64.0, 0.5, 1.5, 1.5, 1.5))


def test_tempo_and_tracks_are_followed(tmp_path: Path) -> None:
    tempo = [mido.MetaMessage("set_tempo", tempo=1_000_000), mido.MetaMessage("set_tempo", tempo=250_000, time=BEAT)]
    (note,) = read(tmp_path / "a.mid", tempo, [on(6, 40, BEAT), off(6, 40, 2 * BEAT)])
    assert (note.onset_s, note.offset_s) == pytest.approx((1.0, 1.5))


def test_a_note_on_of_velocity_0_ends_a_note(tmp_path: Path) -> None:
    (note,) = read(tmp_path / "a.mid", [on(6, 40), on(6, 40, BEAT, velocity=0)])
    assert note.offset_s == pytest.approx(0.5)


def test_a_string_sounds_one_note_at_a_time(tmp_path: Path) -> None:
    first, second = read(tmp_path / "a.mid", [on(6, 40), on(6, 43, BEAT), off(6, 40, BEAT), off(6, 43, BEAT)])
    assert (first.offset_s, second.offset_s) == pytest.approx((0.5, 1.5))


def test_a_note_that_is_never_ended_lasts_to_the_end_of_the_file(tmp_path: Path) -> None:
    (note,) = read(tmp_path / "a.mid", [on(6, 40), mido.MetaMessage("end_of_track", time=2 * BEAT)])
    assert note.offset_s == pytest.approx(1.0)


def test_a_bend_counts_as_it_stands_at_the_onset_in_the_range_that_was_set(tmp_path: Path) -> None:
    def control(number: int, value: int) -> mido.Message:
        return mido.Message("control_change", channel=5, control=number, value=value)

    half_up = mido.Message("pitchwheel", channel=5, pitch=4096)
    (note,) = read(tmp_path / "a.mid", [half_up, on(6, 40), off(6, 40, BEAT)])
    assert note.midi == 41.0
    (note,) = read(tmp_path / "a.mid", [control(101, 0), control(100, 0), control(6, 12), half_up, on(6, 40)])
    assert note.midi == 46.0
    pedal_and_fine_tuning = [control(64, 127), control(101, 0), control(100, 1), control(6, 12), control(38, 9)]
    (note,) = read(tmp_path / "a.mid", [*pedal_and_fine_tuning, half_up, on(6, 40), off(6, 40, BEAT)])
    assert note.midi == 41.0, "nothing of it is the range"


@pytest.mark.parametrize(
    ("track", "words"),
    [
        ([on(1, 40), off(1, 40, BEAT)], "E2 at 0.000 s on channel 1 lies below string 1 (E4)"),
        ([on(7, 90), off(7, 90, BEAT)], "a note at 0.000 s is on channel 7"),
        ([mido.MetaMessage("text", text="nothing")], "holds no notes"),
    ],
)
def test_channels_that_are_not_strings_are_refused(
    tmp_path: Path, track: Sequence[mido.Message | mido.MetaMessage], words: str
) -> None:
    with pytest.raises(InputError) as refused:
        read(tmp_path / "a.mid", track)
    assert words in str(refused.value)
    assert "\n" not in str(refused.value)
