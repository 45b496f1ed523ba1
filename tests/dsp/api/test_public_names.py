"""The public names: loaded when they are used, and what they return is what `thumbline render` writes."""

import csv
import re
import subprocess
import sys
from importlib.metadata import version
from pathlib import Path
from typing import Any

import mir_eval
import numpy as np
import pytest
import soundfile

import thumbline.dsp as tl
from tests.helpers.places import DATA, DEMO, ROOT
from thumbline.dsp.results.render import render_take

SECONDS = 12


@pytest.fixture(scope="module")
def take(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The beginning of the demo take."""
    frames, rate = soundfile.read(DEMO, stop=SECONDS * 48_000)
    path = tmp_path_factory.mktemp("take") / "start.wav"
    soundfile.write(path, frames, rate, "PCM_24")
    return path


@pytest.fixture(scope="module")
def found(take: Path) -> tl.Split:
    return tl.split(*tl.read_take(take), tl.load_rig(DATA / "demo.toml"))


def test_importing_the_package_loads_neither_numpy_nor_the_compiler() -> None:
    code = "import thumbline.dsp, sys; print(sorted({'numpy', 'numba', 'scipy', 'pydantic'} & sys.modules.keys()))"
    done = subprocess.run([sys.executable, "-X", "importtime", "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"
    assert "thumbline.dsp" in done.stderr
    assert not any(f"{name}\n" in done.stderr for name in ("| numpy", "| numba"))


def test_every_public_name_is_there_and_no_other() -> None:
    assert sorted(tl.__all__) == list(tl.__all__)
    assert set(tl._HOMES) == set(tl.__all__) - {"__version__"}
    for name in tl.__all__:
        assert getattr(tl, name) is not None
    assert set(tl.__all__) <= set(dir(tl))
    assert tl.__version__ == version("thumbline")
    with pytest.raises(AttributeError, match="no attribute 'bass_drum'"):
        _ = tl.bass_drum


def test_a_split_is_what_render_writes(take: Path, found: tl.Split, tmp_path: Path) -> None:
    folder = render_take(take, tmp_path, tl.load_rig(DATA / "demo.toml")).folder
    for name, sound in (("bass", found.bass), ("guitar", found.guitar)):
        written, rate = soundfile.read(folder / f"{name}.wav")
        assert rate == found.rate
        np.testing.assert_allclose(sound, written, atol=2.0**-23)  # files have 24 bits
    for name, notes in (("notes", found.notes), ("bassline", found.bass_line)):
        with (folder / f"{name}.csv").open(newline="") as file:
            rows = list(csv.DictReader(file))
        assert len(rows) == len(notes) > 5
        times = [[float(row["onset_s"]), float(row["offset_s"])] for row in rows]
        np.testing.assert_allclose(notes.intervals, times, atol=1e-6)
        assert notes.strings.tolist() == [int(row["string"]) for row in rows]
        np.testing.assert_allclose(notes.pitches, [float(row["hz"]) for row in rows], atol=1e-4)
    with (folder / "pitch.csv").open(newline="") as file:
        rows = list(csv.DictReader(file))
    np.testing.assert_allclose(found.pitch.times, [float(row["time_s"]) for row in rows], atol=1e-6)
    assert len(found.hand_overs) > 5


def test_notes_are_as_mir_eval_wants_them(found: tl.Split) -> None:
    """mir_eval (Raffel et al., ISMIR 2014) refuses shapes, times and pitches that it cannot use."""
    notes = found.notes
    mir_eval.transcription.validate(notes.intervals, notes.pitches, notes.intervals, notes.pitches)
    precision, recall, f, overlap = mir_eval.transcription.precision_recall_f1_overlap(
        notes.intervals, notes.pitches, notes.intervals, notes.pitches
    )
    assert (precision, recall, f, overlap) == (1.0, 1.0, 1.0, 1.0)


def test_results_become_data_frames(found: tl.Split, monkeypatch: pytest.MonkeyPatch) -> None:
    pytest.importorskip("pandas")
    frame = found.notes.to_frame()
    assert list(frame.columns) == ["onset_s", "offset_s", "hz", "string", "fret", "velocity"]
    assert len(frame) == len(found.notes)
    assert len(found.pitch.to_frame()) == len(found.pitch)
    assert list(found.hand_overs.to_frame().columns) == ["times", "decided", "strings", "plucked"]
    monkeypatch.setitem(sys.modules, "pandas", None)
    with pytest.raises(tl.InputError, match="pandas is not installed"):
        found.notes.to_frame()


def test_no_sound_gives_empty_results() -> None:
    found = tl.split(np.zeros((0, 6)), 48_000)
    assert found.notes.intervals.shape == (0, 2)
    assert (len(found.bass), len(found.pitch), len(found.hand_overs)) == (0, 0, 0)
    times, f0, voiced, confidence = tl.track(np.zeros(0), 48_000, 6)
    assert (times.tolist(), voiced.tolist(), confidence.tolist(), np.isnan(f0).all()) == ([0.0], [False], [0.0], True)


@pytest.mark.parametrize(
    ("frames", "message"),
    [
        (np.zeros((6, 4800)), r"shape \(6, 4800\).*pass frames\.T"),
        (np.zeros(4800), r"shape \(4800,\).*track"),
        (np.zeros((4800, 5)), r"shape \(4800, 5\).*6 channels or more$"),
        (np.zeros((48, 6), complex), "complex128"),
    ],
)
def test_frames_of_another_shape_are_refused_in_one_line(frames: np.ndarray, message: str) -> None:
    with pytest.raises(tl.InputError, match=message):
        tl.split(frames, 48_000)


def test_a_track_follows_the_grid_of_librosas_estimators() -> None:
    """`librosa.pyin` (Mauch & Dixon, ICASSP 2014) on the same tone: as many values, and as voiced."""
    librosa = pytest.importorskip("librosa")
    rate, hz = 24_000, 146.83  # D3, string 4
    time = np.arange(2 * rate) / rate
    tone = 0.1 * np.exp(-2 * time) * sum(np.sin(2 * np.pi * hz * k * time) / k for k in range(1, 8))
    y = np.concatenate([np.zeros(rate // 2), tone])
    found = tl.track(y, rate, 4, hop_length=256)
    f0, voiced, _ = librosa.pyin(y, fmin=130, fmax=600, sr=rate, hop_length=256, frame_length=1024)
    assert len(found.times) == len(f0)
    np.testing.assert_allclose(found.times, librosa.times_like(f0, sr=rate, hop_length=256))
    both = voiced & found.voiced
    assert both.sum() > 0.8 * voiced.sum() > 50
    assert np.abs(1200 * np.log2(found.f0[both] / hz)).max() < 10
    assert not found.voiced[found.times < 0.49].any()
    assert np.isnan(found.f0[~found.voiced]).all()


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        ((np.zeros((2, 100)), 48_000, 1), r"y has shape \(2, 100\)"),
        ((np.zeros(100), 48_000, 7), "string is 7; accepted: 1 .* to 6"),
    ],
)
def test_what_cannot_be_tracked_is_refused(arguments: tuple[np.ndarray, int, int], message: str) -> None:
    with pytest.raises(tl.InputError, match=message):
        tl.track(*arguments)
    with pytest.raises(tl.InputError, match="hop_length is 0"):
        tl.track(np.zeros(100), 48_000, 1, hop_length=0)


def test_a_split_of_the_demo_scores_as_its_folder_does(found: tl.Split) -> None:
    notes = [note for note in tl.load_truth(DATA / "demo.json", found.rig) if note.onset_s < SECONDS - 1]
    scored = tl.score(found, notes)
    assert scored.path_right is not None
    assert scored.path_right > 0.9
    assert scored.after_a_pluck is not None


def test_the_example_in_the_readme_runs(monkeypatch: pytest.MonkeyPatch) -> None:
    (example,) = re.findall(r"^```python\n(.*?)^```", (ROOT / "README.md").read_text("utf-8"), re.MULTILINE | re.DOTALL)
    monkeypatch.chdir(ROOT)
    names: dict[str, Any] = {}
    exec(example, names)
    assert len(names["times"]) == len(names["f0"]) > 1000
    assert names["found"].bass.shape == names["found"].guitar.shape
