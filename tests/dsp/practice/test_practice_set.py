"""A practice set of a short take: its files, its index, and what a rerun makes."""

import json
from dataclasses import replace
from pathlib import Path

import mido
import numpy as np
import pytest
import soundfile

from tests.material.practice_folder import SECONDS_OF_TAKE as SECONDS
from thumbline.dsp.practice.index import read_index
from thumbline.dsp.practice.practice_set import PracticeSet, make_practice_set
from thumbline.dsp.practice.settings import PracticeSettings
from thumbline.dsp.rig.model import Rig
from thumbline.dsp.synthetic.demo import SAMPLE_RATE
from thumbline.dsp.synthetic.demo_score import BEAT_S

SETTINGS = PracticeSettings(speeds=(100.0, 75.0), bpm=60 / BEAT_S)


@pytest.fixture(scope="module")
def made(take: Path, tmp_path_factory: pytest.TempPathFactory) -> PracticeSet:
    return make_practice_set(take, tmp_path_factory.mktemp("set"), Rig(), SETTINGS)


def _sound(made: PracticeSet, name: str) -> np.ndarray:
    sound, _ = soundfile.read(made.folder / f"{name}.flac", always_2d=True)
    return sound[:, 0]


def _files(folder: Path) -> dict[str, int]:
    return {path.name: path.stat().st_mtime_ns for path in folder.iterdir()}


def test_every_file_of_the_index_is_there_and_as_long_as_it_says(made: PracticeSet) -> None:
    listed = [*made.index["tracks"], *made.index["stems"]]
    assert len(listed) == 9 + 6
    for entry in listed:
        info = soundfile.info(made.folder / entry["files"]["flac"])
        assert info.duration == pytest.approx(entry["seconds"], abs=1e-4)
        assert info.channels == entry["channels"]
    for picture in made.index["pictures"].values():
        assert (made.folder / picture["file"]).read_bytes().startswith(b"\x89PNG")
    names = {path.name for path in made.folder.iterdir()}
    assert names == {*made.index["made_from"]["files"], "index.json"}


def test_the_index_on_disk_is_what_was_returned(made: PracticeSet) -> None:
    index = read_index(made.folder)
    assert index is not None
    assert {**made.index, "layout": 1} == json.loads(json.dumps(index))


def test_stems_add_up_to_the_mix(made: PracticeSet) -> None:
    stems = {stem["part"]: stem for stem in made.index["stems"] if stem["speed"] == 100.0}
    bass, guitar = (
        10 ** (stems[part]["mix_gain_db"] / 20) * _sound(made, f"{part}-100") for part in ("bass", "guitar")
    )
    both = next(track for track in made.index["tracks"] if track["name"] == "both-100")
    lead = round(-both["starts_s"] * SAMPLE_RATE)
    mix = _sound(made, "both-100")[lead + SAMPLE_RATE :]  # without the count-in
    expected = (bass + guitar)[SAMPLE_RATE:]
    assert np.corrcoef(mix, expected)[0, 1] > 0.998  # the limiter works on each by itself


def test_a_slower_track_is_as_much_longer_and_its_notes_come_when_they_should(made: PracticeSet) -> None:
    full, slow = _sound(made, "bass-100"), _sound(made, "bass-75")
    assert len(slow) == round(len(full) * 100 / 75)
    checked = 0
    for note in made.index["bass_notes"]:
        if note["offset_s"] - note["onset_s"] < 0.2:
            continue
        at = round(note["onset_s"] * SAMPLE_RATE)
        attack = full[at : at + 1400]
        near = slow[round(note["onset_s"] * SAMPLE_RATE * 100 / 75) - 480 :][: 1400 + 960]
        lags = np.correlate(near, attack, "valid") / np.sqrt(np.correlate(near**2, np.ones(1400), "valid"))
        assert abs(int(np.argmax(lags)) - 480) <= 0.005 * SAMPLE_RATE
        checked += 1
    assert checked >= 8


def test_the_click_is_on_the_beats_to_the_frame(made: PracticeSet) -> None:
    for stem in made.index["stems"]:
        if stem["part"] != "click":
            continue
        click = _sound(made, f"click-{stem['speed']:g}")
        loud = np.flatnonzero(np.abs(click) > 1e-4)
        starts = loud[np.concatenate([[True], np.diff(loud) > 4000])]
        beats = [time_s for time_s, bar, _ in made.index["beats"] if bar >= 1]
        placed = [round((t * 100 / stem["speed"] - stem["starts_s"]) * SAMPLE_RATE) for t in beats]
        assert starts[4:].tolist() == pytest.approx(placed, abs=1)
        assert len(starts) == len(beats) + 4


def test_notes_and_bars_of_the_index_are_those_of_the_piece(made: PracticeSet) -> None:
    assert made.index["tempo"]["bpm"] == pytest.approx(60 / BEAT_S, abs=0.1)
    assert [note["heard"] for note in made.index["bass_notes"][:4]] == ["A1", "E2", "E1", "E2"]
    assert made.index["bars"][0]["start_s"] == pytest.approx(0.6, abs=0.02)


def test_midi_counts_in_the_beats_of_the_take(made: PracticeSet) -> None:
    file = mido.MidiFile(made.folder / "bass.mid")
    assert file.length == pytest.approx(SECONDS + (4 * BEAT_S - 0.6) % (4 * BEAT_S), abs=0.05)
    now, onsets = 0, []
    for message in file.tracks[0]:
        now += message.time
        if message.type == "note_on":
            onsets.append(now / file.ticks_per_beat)
    assert onsets[0] == pytest.approx(4.0, abs=0.03)  # the first note is on the first beat of a bar
    assert onsets[1] == pytest.approx(5.0, abs=0.1)


def test_the_tablature_has_a_row_for_each_string_of_the_bass_and_names(made: PracticeSet) -> None:
    lines = (made.folder / "tablature.txt").read_text("utf-8").splitlines()
    assert [line[:6] for line in lines[4:8]] == [" 1 G2 ", " 2 D2 ", " 3 A1 ", " 4 E1 "]
    assert lines[8].split()[:4] == ["A1", "E2", "E1", "E2"]
    assert len({len(line) for line in lines[4:8]}) == 1
    assert max(map(len, lines)) <= 110


def test_a_rerun_writes_nothing(take: Path, made: PracticeSet) -> None:
    before = _files(made.folder)
    again = make_practice_set(take, made.folder.parent, Rig(), SETTINGS)
    assert (again.written, again.kept) == (0, made.written)
    assert _files(made.folder) == before


def test_an_interrupt_leaves_what_was_there(take: Path, made: PracticeSet, monkeypatch: pytest.MonkeyPatch) -> None:
    before = _files(made.folder)

    def interrupted(*_: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr("thumbline.dsp.practice.build.write_sound", interrupted)
    with pytest.raises(KeyboardInterrupt):
        make_practice_set(take, made.folder.parent, Rig(), replace(SETTINGS, loudness_lufs=-20.0))
    assert _files(made.folder) == before
    assert [path.name for path in made.folder.parent.iterdir()] == [made.folder.name]


def test_transposition_moves_the_pitch_and_not_the_time(take: Path, made: PracticeSet, tmp_path: Path) -> None:
    settings = replace(SETTINGS, speeds=(100.0,), mixes=("both",), transpose=2)
    up = make_practice_set(take, tmp_path, Rig(), settings)
    was, now = _sound(made, "bass-100"), _sound(up, "bass-100")
    assert len(was) == len(now)
    note = next(n for n in made.index["bass_notes"] if n["offset_s"] - n["onset_s"] > 0.4)
    part = slice(round((note["onset_s"] + 0.1) * SAMPLE_RATE), round((note["onset_s"] + 0.4) * SAMPLE_RATE))
    peaks = [np.argmax(np.abs(np.fft.rfft(x[part] * np.hanning(part.stop - part.start), 1 << 20))) for x in (was, now)]
    assert 1200 * np.log2(peaks[1] / peaks[0]) == pytest.approx(200.0, abs=10.0)


def test_transposition_moves_midi_tablature_score_and_names(take: Path, made: PracticeSet, tmp_path: Path) -> None:
    settings = replace(SETTINGS, speeds=(100.0,), mixes=("both",), transpose=2)
    up = make_practice_set(take, tmp_path, Rig(), settings)

    def keys(folder: Path) -> list[int]:
        return [m.note for m in mido.MidiFile(folder / "bass.mid").tracks[0] if m.type == "note_on"]

    assert keys(up.folder) == [key + 2 for key in keys(made.folder)]
    assert [note["heard"] for note in up.index["bass_notes"][:4]] == ["B1", "F#2", "F#1", "F#2"]
    assert [note["note"] for note in up.index["bass_notes"]] == [note["note"] for note in made.index["bass_notes"]]
    names = (up.folder / "tablature.txt").read_text("utf-8").splitlines()[8]
    assert names.split()[:4] == ["B1", "F#2", "F#1", "F#2"]
    score = (up.folder / "bass.musicxml").read_text("utf-8")
    first = score.index("<pitch>")
    assert "<step>B</step>" in score[first : first + 60]


def test_a_line_as_heard_keeps_what_passes(take: Path, made: PracticeSet, tmp_path: Path) -> None:
    settings = replace(SETTINGS, speeds=(100.0,), mixes=("both",), as_heard=True)
    heard = make_practice_set(take, tmp_path, Rig(), settings)
    assert heard.index["line"] == {"as_heard": True, "passing": 0}
    passing = made.index["line"]["passing"]
    assert passing > 0
    assert len(heard.index["bass_notes"]) >= len(made.index["bass_notes"]) + passing
    kept = {note["onset_s"] for note in made.index["bass_notes"]}
    assert kept <= {note["onset_s"] for note in heard.index["bass_notes"]}  # no attack moves


def test_the_library_stretches_the_sum_of_strings_where_that_is_asked_for(
    take: Path, made: PracticeSet, tmp_path: Path
) -> None:
    settings = replace(SETTINGS, speeds=(75.0,), mixes=("both",), stretch="library")
    slow = make_practice_set(take, tmp_path, Rig(), settings)
    was, now = _sound(made, "bass-75"), _sound(slow, "bass-75")
    assert len(was) == len(now)
    power = [np.convolve(x**2, np.ones(2400), "same")[::1200] for x in (was, now)]
    assert np.corrcoef(power)[0, 1] > 0.9, "the same notes at the same times"
    assert not np.array_equal(was, now)
