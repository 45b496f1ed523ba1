"""The demo files are what the score says, and their truth agrees with their sound."""

import csv
import json
from collections import Counter
from collections.abc import Sequence
from dataclasses import replace
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile

from tests.helpers.places import DATA
from thumbline.dsp.errors import InputError
from thumbline.dsp.synthetic import demo
from thumbline.dsp.synthetic.demo_score import SCORE, STRINGS, Knock, Note, strum
from thumbline.dsp.synthetic.string_model import GuitarString, Pluck

RATE = demo.SAMPLE_RATE
Truth = dict[str, Any]


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("demo") / "new" / "data"
    assert demo.write_demo(folder) == sorted(folder.iterdir())
    return folder


@pytest.fixture(scope="module", params=["demo", "demo_open_strings"])
def take(request: pytest.FixtureRequest) -> tuple[np.ndarray, Truth]:
    audio, rate = soundfile.read(DATA / f"{request.param}.flac")
    assert rate == RATE
    return audio, truth(request.param)


def truth(stem: str, folder: Path = DATA) -> Truth:
    return json.loads((folder / f"{stem}.json").read_text(encoding="utf-8"))


def peak_midi(signal: np.ndarray, midi: float) -> float:
    """Pitch of the highest spectral peak within a semitone of ``midi``."""
    size = 1 << 20
    spectrum = np.abs(np.fft.rfft(signal * np.hanning(len(signal)), size))
    low, high = (440 * 2 ** ((midi + side - 69) / 12) * size / RATE for side in (-1, 1))
    best = int(low) + int(np.argmax(spectrum[int(low) : int(high)]))
    return float(69 + 12 * np.log2(best * RATE / size / 440))


def test_the_committed_files_are_what_the_score_and_the_seed_make(made: Path) -> None:
    assert {path.name for path in made.iterdir()} <= {path.name for path in DATA.iterdir()}
    for stem in ("demo", "demo_open_strings"):
        new, old = (soundfile.read(folder / f"{stem}.flac", dtype="int16")[0] for folder in (made, DATA))
        assert new.shape == old.shape
        assert np.abs(new.astype(int) - old).max() <= 1
        now, then = truth(stem, made), truth(stem)
        assert {key: now[key] for key in now if key != "notes"} == {key: then[key] for key in then if key != "notes"}
        assert len(now["notes"]) == len(then["notes"])
        for a, b in zip(now["notes"], then["notes"], strict=True):
            assert a == pytest.approx(b, abs=1e-3)


def test_the_files_are_small_and_compact() -> None:
    assert sum(path.stat().st_size for path in DATA.iterdir()) < 6.5e6
    for stem, longest_s in (("demo", 27), ("demo_open_strings", 22)):
        info = soundfile.info(DATA / f"{stem}.flac")
        assert (info.samplerate, info.channels, info.subtype) == (48_000, 6, "PCM_16")
        assert 16 <= info.duration <= longest_s


def test_levels_are_those_of_a_well_set_interface(take: tuple[np.ndarray, Truth]) -> None:
    audio, known = take
    peaks = [
        20 * np.log10(np.abs(audio[int(n["onset"] * RATE) : int(n["offset"] * RATE), n["string"] - 1]).max())
        for n in known["notes"]
    ]
    assert -13 < max(peaks) < -9
    assert -26 < min(peaks) < -18
    assert -20 < np.median(peaks) < -12


def test_notes_of_the_truth_are_in_order_and_never_overlap_on_a_string(
    take: tuple[np.ndarray, Truth],
) -> None:
    audio, known = take
    assert [n["onset"] for n in known["notes"]] == sorted(n["onset"] for n in known["notes"])
    for string in range(1, 7):
        line = [n for n in known["notes"] if n["string"] == string]
        assert line
        for n in line:
            assert 0 < n["onset"] < n["fades"] <= n["faded"] <= n["offset"] < len(audio) / RATE
        for a, b in pairwise(line):
            assert a["offset"] <= b["onset"]


def test_every_note_of_the_truth_is_a_fret_of_its_string(take: tuple[np.ndarray, Truth]) -> None:
    for n in take[1]["notes"]:
        fret = n["midi"] - STRINGS[n["string"]].open_midi
        assert -0.05 < fret < 24.5
        assert abs(fret - round(fret)) < 0.3  # the bend's vibrato lifts its median most


def test_each_channel_sounds_only_during_its_own_notes_and_thumps(take: tuple[np.ndarray, Truth]) -> None:
    audio, known = take
    unbled = audio @ np.linalg.inv(np.array(known["bleed"])).T
    for string in range(1, 7):
        busy = np.zeros(len(audio), bool)
        for n in (n for n in known["notes"] if n["string"] == string):
            busy[int((n["onset"] - 0.006) * RATE) : int((n["offset"] + 0.02) * RATE)] = True
            sounding = unbled[int(n["onset"] * RATE) : int(n["offset"] * RATE), string - 1]
            assert 20 * np.log10(sounding.std()) > -40
        for thump in (t for t in known.get("thumps", []) if t["string"] == string):
            busy[int(thump["onset"] * RATE) : int((thump["onset"] + 0.12) * RATE)] = True
        assert 20 * np.log10(unbled[~busy, string - 1].std()) < -58


def test_open_strings_sound_at_their_stated_pitch_from_the_lowest_up() -> None:
    audio, _ = soundfile.read(DATA / "demo_open_strings.flac")
    known = truth("demo_open_strings")
    assert [n["string"] for n in known["notes"]] == [6, 6, 6, 5, 5, 5, 4, 4, 4, 3, 3, 3, 2, 2, 2, 1, 1, 1]
    assert known["notes"][0]["onset"] == pytest.approx(demo.OPEN_LEAD_S, abs=1e-3)
    for n in known["notes"]:
        part = audio[round((n["onset"] + 0.05) * RATE) : round(n["offset"] * RATE), n["string"] - 1]
        assert peak_midi(part, n["midi"]) == pytest.approx(n["midi"], abs=0.02)


def test_bleed_measured_in_the_open_strings_take_is_the_matrix_of_its_truth() -> None:
    audio, _ = soundfile.read(DATA / "demo_open_strings.flac")
    known = truth("demo_open_strings")
    assert known["bleed"] == truth("demo")["bleed"]
    for n in known["notes"]:
        part = audio[round(n["onset"] * RATE) : round((n["onset"] + 0.5) * RATE)]
        own = part[:, n["string"] - 1]
        np.testing.assert_allclose(part.T @ own / (own @ own), np.array(known["bleed"])[:, n["string"] - 1], atol=0.003)


def test_the_pitch_table_is_the_pitch_of_the_notes() -> None:
    with (DATA / "demo_pitch.csv").open(newline="", encoding="utf-8") as file:
        rows = [(float(r["time_s"]), int(r["string"]), float(r["hz"])) for r in csv.DictReader(file)]
    notes = truth("demo")["notes"]
    assert len(rows) == len({(t, s) for t, s, _ in rows})
    for n in notes:
        inside = [hz for t, s, hz in rows if s == n["string"] and n["onset"] <= t < n["offset"]]
        # While the hand stops the string, up to 15 ms, it has no pitch any more.
        assert len(inside) >= int((n["offset"] - n["onset"] - 0.015) / 0.01)
        assert 69 + 12 * np.log2(np.median(inside) / 440) == pytest.approx(n["midi"], abs=0.05)
    sounding = sum(round((n["offset"] - n["onset"]) / 0.01) for n in notes)
    assert len(rows) == pytest.approx(sounding, abs=2 * len(notes))


def test_the_piece_shows_the_job() -> None:
    known = truth("demo")
    bass = [n["string"] for n in bass_path(known["notes"])]
    changes = Counter((a, b) for a, b in pairwise(bass) if a != b)
    assert min(changes[5, 4], changes[4, 6], changes[6, 4]) > 0, "a thumb alternates"
    rising = [bass[i : i + 6] for i in range(len(bass))]
    assert [6, 5, 4, 3, 2, 1] in rising, "strings stop from the lowest up"
    notes = [item for item in SCORE if isinstance(item, Note)]
    slurs = [n.slur_to - n.fret for n in notes if n.slur_to is not None]
    assert max(slurs) > 0 > min(slurs), "hammer-on and pull-off"
    assert any(n.bend and n.vibrato for n in notes)
    assert any(n.harmonic > 1 for n in notes)
    assert any(isinstance(item, Knock) for item in SCORE)
    assert len(known["thumps"]) == sum(len(item.strings) for item in SCORE if isinstance(item, Knock))
    low = [n["midi"] for n in known["notes"] if n["string"] == 6]
    assert min(np.ptp(low[i : i + 4]) for i in range(len(low) - 3)) < 0.1, "repeated notes"
    muted = [n for n in notes if n.palm_s is not None]
    assert len({int(n.beat // 4) for n in muted}) == 4, "four bars are palm-muted"
    assert all(n.thumb for n in muted)
    assert min(n.palm_s for n in muted if n.palm_s) < 0.08
    assert min(n.beats for n in muted) * demo.BEAT_S < 0.1, "staccato"


def bass_path(notes: Sequence[Truth]) -> list[Truth]:
    """The lowest sounding note each time that changes, sampled every millisecond."""
    path: list[Truth] = []
    for t in np.arange(0, max(n["offset"] for n in notes), 0.001):
        live = [n for n in notes if n["onset"] <= t < n["offset"]]
        if live and (not path or path[-1] is not max(live, key=lambda n: n["string"])):
            path.append(max(live, key=lambda n: n["string"]))
    return path


def test_fading_times_follow_from_the_decay() -> None:
    # A string without high losses falls 8.686 dB in 1 / decay seconds. Its loudest window is about the first
    # whole one; as a window is not a whole number of periods, the level ripples by 2 dB or so.
    events = {s: [Pluck(0.5, STRINGS[s].open_midi, 2.5, width_mm=60.0)] for s in STRINGS}
    quick = {s: replace(string, decay_low=10.0, decay_high=0.0) for s, string in STRINGS.items()}
    take = demo.render_take("Test", quick, events, np.eye(6), np.random.default_rng(1))
    for n in demo.true_notes(take):
        assert n["faded"] - n["fades"] == pytest.approx(16 / 86.86, abs=0.005)
        assert n["fades"] == pytest.approx(0.51 + 26 / 86.86, abs=0.025)
        assert n["offset"] == pytest.approx(2.5 + demo.SILENCED * Pluck(0.5, 40, 2.5).damp_s, abs=1e-4)


def test_the_plain_strings_have_the_inharmonicity_of_a_common_light_set() -> None:
    # Mersenne's law gives tension from diameter and pitch, so Fletcher's B and the pitch give the diameter.
    # Steel: 7850 kg/m3 (handbook value, from memory). 0.010, 0.013, 0.017 inches: common practice, no source.
    for string, inches in ((1, 0.010), (2, 0.013), (3, 0.017)):
        assert core_mm(STRINGS[string]) == pytest.approx(inches * 25.4, rel=0.02)


def core_mm(string: GuitarString) -> float:
    hz, length = 440 * 2 ** ((string.open_midi - 69) / 12), string.scale_mm / 1000
    return 1000 * float(np.sqrt(string.inharmonicity * 64 * 7850 * hz**2 * length**4 / (np.pi**2 * 2.0e11)))


def test_a_strum_runs_from_the_lowest_string_and_an_up_strum_from_the_highest() -> None:
    frets = {5: 3, 3: 0, 1: 0}
    assert [(n.string, n.late_s) for n in strum(0, frets, 1, 0.5, spread_s=0.01)] == [
        (5, 0),
        (3, 0.01),
        (1, 0.02),
    ]
    assert [n.string for n in strum(0, frets, 1, 0.5, up=True)] == [1, 3, 5]


def test_another_seed_is_another_performance_of_the_same_notes() -> None:
    first, second = (demo.demo_events(np.random.default_rng(seed)) for seed in (1, 2))
    for string in STRINGS:
        assert len(first[string]) == len(second[string])
        starts = np.array([[e.start_s for e in line[string]] for line in (first, second)])
        assert 0 < np.abs(np.diff(starts, axis=0)).max() < 0.02


def test_a_folder_that_cannot_be_written_is_named_in_one_line(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    blocked = tmp_path / "file"
    blocked.write_text("mine")
    with pytest.raises(InputError, match=r"demo folder .*file: cannot be written"):
        demo.write_demo(blocked)
    assert demo.main([str(blocked)]) == 2
    assert demo.main([]) == 2
    said = capsys.readouterr().err.splitlines()
    assert len(said) == 2
    assert said[0].startswith("demo folder")
    assert said[1].startswith("usage:")
    assert blocked.read_text() == "mine"


def test_the_files_that_were_written_are_named(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    made = [tmp_path / "demo.flac", tmp_path / "demo.json"]
    monkeypatch.setattr(demo, "write_demo", lambda folder: made if folder == tmp_path else [])
    assert demo.main([str(tmp_path)]) == 0
    assert capsys.readouterr().out.splitlines() == [str(path) for path in made]
