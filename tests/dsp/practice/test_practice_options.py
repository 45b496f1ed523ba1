"""Practice sets with one option or another, and takes that make none."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import soundfile

from tests.helpers.places import DEMO
from thumbline.dsp.errors import InputError
from thumbline.dsp.practice.practice_set import PracticeSet, make_practice_set
from thumbline.dsp.practice.settings import PracticeSettings
from thumbline.dsp.rig.model import Rig
from thumbline.dsp.synthetic.demo import SAMPLE_RATE
from thumbline.dsp.synthetic.demo_score import BEAT_S

SETTINGS = PracticeSettings(speeds=(100.0, 75.0), bpm=60 / BEAT_S)


def _sound(made: PracticeSet, name: str) -> np.ndarray:
    sound, _ = soundfile.read(made.folder / f"{name}.flac", always_2d=True)
    return sound[:, 0]


def _files(folder: Path) -> dict[str, int]:
    return {path.name: path.stat().st_mtime_ns for path in folder.iterdir()}


def test_a_rerun_makes_only_what_changed_and_removes_only_for_a_fresh_set(take: Path, tmp_path: Path) -> None:
    settings = replace(SETTINGS, speeds=(100.0,), mixes=("both",))
    first = make_practice_set(take, tmp_path, Rig(), settings)
    (first.folder / "mine.txt").write_text("keep")
    (first.folder / "guitar-100.flac").write_bytes(b"damaged")
    before = _files(first.folder)
    second = make_practice_set(take, tmp_path, Rig(), replace(settings, mixes=("bass-lead",)))
    after = _files(first.folder)
    changed = {name for name in after if after[name] != before.get(name)}
    assert changed == {"guitar-100.flac", "bass-lead-100.flac", "index.json", "guitar-100 (changed).flac"}
    assert after["both-100.flac"] == before["both-100.flac"]
    assert "mine.txt" in after
    assert (second.stays, second.removed) == (["both-100.flac"], ())
    assert "both-100" not in {track["name"] for track in second.index["tracks"]}
    assert second.kept >= 4
    both = make_practice_set(take, tmp_path, Rig(), replace(settings, mixes=("both", "bass-lead")))
    assert (both.written, both.stays) == (0, [])
    third = make_practice_set(take, tmp_path, Rig(), replace(settings, mixes=("bass-lead",)), fresh=True)
    assert (third.written, third.stays, third.removed) == (0, [], ("both-100.flac",))
    assert _files(first.folder).keys() == after.keys() - {"both-100.flac"}


def test_one_more_speed_changes_no_track_that_was_there(take: Path, tmp_path: Path) -> None:
    settings = replace(SETTINGS, speeds=(100.0,), mixes=("both",), loops=("bars 1-2",), repeats=2)
    first = make_practice_set(take, tmp_path, Rig(), settings)
    before = _files(first.folder)
    make_practice_set(take, tmp_path, Rig(), replace(settings, speeds=(100.0, 75.0)))
    after = _files(first.folder)
    changed = {name for name in before if after[name] != before[name]}
    assert changed == {"index.json"}  # which lists all tracks


def test_repeats_without_a_gap_can_be_repeated_by_a_player(take: Path, tmp_path: Path) -> None:
    """The file ends with the last repeat and goes on at its beginning; two copies in a row have no rough place."""
    settings = replace(
        SETTINGS, speeds=(100.0,), mixes=("both",), loops=("1.0-3.3",), gapless=True, repeats=2, click="off"
    )
    made = make_practice_set(take, tmp_path, Rig(), settings)
    track = next(track for track in made.index["tracks"] if track["loop"])
    sound = _sound(made, track["name"])
    assert len(sound) == 2 * round(2.3 * SAMPLE_RATE)
    rough = np.abs(np.diff(np.concatenate([sound, sound]), 2))
    seam = rough[len(sound) - 800 : len(sound) + 800]
    assert seam.max() <= 1.05 * rough[800 : len(sound) // 2 - 800].max()
    assert track["loop"]["early_s"] >= 0.0


def test_gapless_repeats_are_seamless(take: Path, tmp_path: Path) -> None:
    """The second difference, which a click dominates, is no greater at a seam than in the loop itself."""
    settings = replace(
        SETTINGS, speeds=(100.0,), mixes=("both",), loops=("1.0-3.3",), gapless=True, repeats=3, click="off"
    )
    made = make_practice_set(take, tmp_path, Rig(), settings)
    track = next(track for track in made.index["tracks"] if track["loop"])
    rough = np.abs(np.diff(_sound(made, track["name"]), 2))
    starts = [round(start * SAMPLE_RATE) for start, _ in track["loop"]["passes"]]
    assert np.diff(starts).tolist() == [round(2.3 * SAMPLE_RATE)] * 2
    for start in starts[1:]:
        assert rough[start - 800 : start + 800].max() <= 1.05 * rough[800 : starts[1] - 800].max()


def test_a_ladder_gets_faster_with_each_repeat_and_is_counted_in(take: Path, tmp_path: Path) -> None:
    settings = replace(SETTINGS, speeds=(100.0,), mixes=("both",), loops=("bars 1-2",), ladder=(50.0, 80.0, 100.0))
    made = make_practice_set(take, tmp_path, Rig(), settings)
    track = next(track for track in made.index["tracks"] if track["loop"])
    assert [speed for _, speed in track["loop"]["passes"]] == [50.0, 80.0, 100.0]
    one = track["loop"]["count_in_s"] + track["loop"]["end_s"] - track["loop"]["start_s"]
    assert track["loop"]["count_in_s"] == pytest.approx(4 * BEAT_S, abs=0.001)
    lengths = np.diff([start for start, _ in track["loop"]["passes"]])
    assert lengths.tolist() == pytest.approx([2.0 * one, 1.25 * one], abs=1e-3)


def test_apart_puts_the_bass_left_and_the_guitar_right(take: Path, tmp_path: Path) -> None:
    settings = replace(SETTINGS, speeds=(100.0,), mixes=("both",), placement="apart", click="off")
    made = make_practice_set(take, tmp_path, Rig(), settings)
    both, _ = soundfile.read(made.folder / "both-100.flac")
    bass, guitar = _sound(made, "bass-100"), _sound(made, "guitar-100")
    assert np.corrcoef(both[:, 0], bass)[0, 1] > 0.99
    assert np.corrcoef(both[:, 1], guitar)[0, 1] > 0.99


def test_a_take_without_a_tempo_is_made_without_a_click(tmp_path: Path) -> None:
    rate = SAMPLE_RATE
    sound, _ = soundfile.read(DEMO, frames=round(1.1 * rate))
    soundfile.write(tmp_path / "one.flac", sound, rate)
    made = make_practice_set(tmp_path / "one.flac", tmp_path / "set", Rig(), PracticeSettings(speeds=(100.0,)))
    tempo = made.index["tempo"]
    assert (tempo["source"], tempo["bpm"], tempo["confidence"]) == ("none", None, None)
    assert made.index["beats"] == made.index["bars"] == []
    assert {track["click"] for track in made.index["tracks"]} == {"off"}
    assert {stem["part"] for stem in made.index["stems"]} == {"bass", "guitar"}
    assert "no tempo" in (made.folder / "tablature.txt").read_text("utf-8")
    assert not (made.folder / "bass.musicxml").exists()
    with pytest.raises(InputError, match="tells no tempo"):
        make_practice_set(
            tmp_path / "one.flac", tmp_path / "set", Rig(), PracticeSettings(speeds=(100.0,), loops=("bars 1-2",))
        )


def test_a_rendered_folder_serves_as_well(take: Path, tmp_path: Path) -> None:
    from thumbline.dsp.results.render import render_take

    folder = render_take(take, tmp_path / "split", Rig()).folder
    made = make_practice_set(folder, tmp_path / "set", Rig(), SETTINGS)
    assert made.folder.name == "tarnholm"
    assert len(made.index["tracks"]) == 9
    (folder / "summary.json").write_text("{}")
    with pytest.raises(InputError, match="render the take again"):
        make_practice_set(folder, tmp_path / "set", Rig(), SETTINGS)


def test_beats_that_were_tapped_are_those_of_the_set(take: Path, tmp_path: Path) -> None:
    (tmp_path / "taps.txt").write_text("".join(f"{0.3 + BEAT_S * i:.3f}\n" for i in range(16)))
    settings = PracticeSettings(speeds=(100.0,), mixes=("both",), taps=tmp_path / "taps.txt")
    made = make_practice_set(take, tmp_path / "set", Rig(), settings)
    assert made.index["tempo"]["bpm"] == pytest.approx(60 / BEAT_S, rel=0.001)
    assert min(abs(time_s - 0.3) for time_s, *_ in made.index["beats"]) < 0.001


def test_a_take_or_folder_of_more_than_can_be_held_is_refused(
    take: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("thumbline.dsp.practice.source.LONGEST_S", 6.0)
    with pytest.raises(InputError, match=r"is 0\.2 minutes long; accepted are 0 minutes; cut it into pieces"):
        make_practice_set(take, tmp_path, Rig(), SETTINGS)
    assert list(tmp_path.iterdir()) == []


def test_parts_of_two_renderings_do_not_make_a_set(take: Path, tmp_path: Path) -> None:
    from thumbline.dsp.results.render import render_take

    folder = render_take(take, tmp_path / "split", Rig()).folder
    bass, rate = soundfile.read(folder / "bass.wav")
    soundfile.write(folder / "bass.wav", bass[:-1], rate, "PCM_24")
    with pytest.raises(InputError, match=r"bass\.wav and guitar\.wav do not belong together; render the take again"):
        make_practice_set(folder, tmp_path / "set", Rig(), SETTINGS)


def test_where_the_guitar_keeps_all_strings_its_notes_are_all_notes(take: Path, tmp_path: Path) -> None:
    rig = Rig.model_validate({"guitar": {"strings": "all"}})
    made = make_practice_set(take, tmp_path, rig, replace(SETTINGS, speeds=(100.0,), mixes=("both",)))
    assert {note["string"] for note in made.index["bass_notes"]} <= {
        note["string"] for note in made.index["guitar_notes"]
    }


def test_a_take_without_notes_is_refused(tmp_path: Path) -> None:
    soundfile.write(tmp_path / "still.wav", np.zeros((48_000, 6)), 48_000)
    with pytest.raises(InputError, match="no note was found"):
        make_practice_set(tmp_path / "still.wav", tmp_path / "out", Rig(), SETTINGS)
    assert not (tmp_path / "out").exists()


def test_what_was_taken_away_is_made_anew_and_another_loop_leaves_the_rest_as_it_is(
    take: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    settings = replace(SETTINGS, speeds=(100.0,), mixes=("both",))
    first = make_practice_set(take, tmp_path, Rig(), settings)
    was = _sound(first, "both-100")
    (first.folder / "guitar-100.flac").unlink()
    before = _files(first.folder)
    again = make_practice_set(take, tmp_path, Rig(), settings)
    after = _files(first.folder)
    assert {name for name in after if after[name] != before.get(name)} == {"guitar-100.flac", "index.json"}
    assert again.kept == first.written - 1

    def never(*_: object) -> None:
        raise AssertionError("no whole track is to be made anew")

    monkeypatch.setattr("thumbline.dsp.practice.tracks.TrackRenderer.prepare", never)
    more = make_practice_set(take, tmp_path, Rig(), replace(settings, loops=("1.0-3.3",), repeats=1))
    np.testing.assert_array_equal(_sound(more, "both-100"), was)
    assert {name for name, time in _files(more.folder).items() if time != after.get(name)} == {
        *("index.json", "practice.html"),
        *(track["files"]["flac"] for track in more.index["tracks"] if track["loop"]),
    }


def test_another_tempo_is_in_the_tags_of_every_file(take: Path, tmp_path: Path) -> None:
    for bpm in (100.0, 90.0):
        made = make_practice_set(take, tmp_path, Rig(), replace(SETTINGS, speeds=(100.0,), mixes=("both",), bpm=bpm))
        with soundfile.SoundFile(made.folder / "bass-100.flac") as file:
            assert file.comment == f"bass, {bpm:.0f} bpm"


def test_a_loop_with_click_throughout_has_it_on_each_of_its_beats(take: Path, tmp_path: Path) -> None:
    soft = replace(SETTINGS, loudness_lufs=-30.0)  # so that no limiter acts on either
    plain = replace(soft, speeds=(100.0,), mixes=("both",), loops=("1.0-3.3",), repeats=1)
    sounds, beats = [], []
    for mix in ("both", "both-click"):
        made = make_practice_set(take, tmp_path, Rig(), replace(plain, loop_mix=mix))
        track = next(track for track in made.index["tracks"] if track["loop"])
        sounds.append(_sound(made, track["name"]))
        loop = track["loop"]
        beats = [time_s for time_s, *_ in made.index["beats"] if loop["start_s"] <= time_s < loop["end_s"]]
    added = np.abs(sounds[1] - sounds[0])
    loud = np.flatnonzero(added > 0.2 * added.max())
    starts = loud[np.concatenate([[True], np.diff(loud) > 4000])]
    early_s = 0.008  # of the cut before the loop, so that an attack is whole
    placed = [round((time_s - loop["start_s"] + early_s + loop["count_in_s"]) * SAMPLE_RATE) for time_s in beats]
    assert len(placed) >= 3
    assert starts.tolist() == pytest.approx(placed, abs=48)
