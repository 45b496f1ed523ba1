"""Practice sets from what is odd: an index of other hands, beats beyond the take, pieces that can hardly be loud."""

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import soundfile

from tests.helpers.places import DEMO
from thumbline.dsp.errors import InputError
from thumbline.dsp.practice.index import read_index
from thumbline.dsp.practice.practice_set import make_practice_set
from thumbline.dsp.practice.settings import PracticeSettings
from thumbline.dsp.rig.model import Rig

SETTINGS = PracticeSettings(speeds=(100.0,), bpm=107.0, mixes=("both",))


@pytest.fixture(scope="module")
def take(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return piece(tmp_path_factory.mktemp("takes") / "skerry.flac", 2.0, 3.0)


def piece(path: Path, start_s: float, seconds: float, gain: float = 1.0) -> Path:
    rate = soundfile.info(DEMO).samplerate
    sound, _ = soundfile.read(DEMO, start=round(start_s * rate), frames=round(seconds * rate))
    soundfile.write(path, gain * sound, rate, "FLOAT" if path.suffix == ".wav" else "PCM_24")
    return path


@pytest.mark.parametrize(
    "content",
    [
        {"layout": 1},
        {"layout": 1, "made_from": []},
        {"layout": 1, "made_from": {"request": "x", "files": []}},
        {"layout": 1, "made_from": {"request": "x", "files": {"bass-100.flac": 5}}},
        {"layout": 1, "made_from": {"request": "x", "files": {"../kept.txt": {"bytes": 1, "digest": "x"}}}},
    ],
)
def test_an_index_that_is_not_as_it_was_left_is_made_anew_and_nothing_else_is_touched(
    take: Path, tmp_path: Path, content: object
) -> None:
    folder = tmp_path / take.stem
    folder.mkdir()
    (tmp_path / "kept.txt").write_text("?")
    (folder / "index.json").write_text(json.dumps(content))
    made = make_practice_set(take, tmp_path, Rig(), SETTINGS)
    assert made.kept == 0
    assert (tmp_path / "kept.txt").exists()
    assert read_index(folder) == {"layout": 1, **made.index}
    assert made.kept_aside == ["index (changed).json"]
    assert json.loads((folder / "index (changed).json").read_text()) == content


def test_a_name_that_leads_out_of_the_folder_is_believed_of_no_index(tmp_path: Path) -> None:
    from thumbline.dsp.practice.index import write_index

    write_index(tmp_path, {"made_from": {"request": "x", "files": {"bass.mid": {}}}})
    assert read_index(tmp_path) is not None
    write_index(tmp_path, {"made_from": {"request": "x", "files": {"../bass.mid": {}}}})
    assert read_index(tmp_path) is None


def test_bar_1_and_taps_must_lie_in_the_take(take: Path, tmp_path: Path) -> None:
    with pytest.raises(InputError, match=r"first bar is to start at 300 s; accepted: 0 to 3 s"):
        make_practice_set(take, tmp_path, Rig(), replace(SETTINGS, first_bar_s=300.0))
    (tmp_path / "taps.txt").write_text("100\n101\n102\n")
    with pytest.raises(InputError, match=r"first tap is at 100 s; accepted .* ends at 3 s"):
        make_practice_set(take, tmp_path, Rig(), replace(SETTINGS, bpm=None, taps=tmp_path / "taps.txt"))


@pytest.mark.parametrize(
    ("change", "made_anew"),
    [
        ({"accent_db": 6.0}, {"both", "click"}),
        ({"click_db": 3.0}, {"both", "click"}),
        ({"stretch": "library"}, set()),
        ({"loudness_lufs": -20.0}, {"bass", "guitar", "both", "click"}),
    ],
)
def test_a_rerun_leaves_what_a_setting_does_not_concern(
    take: Path, tmp_path: Path, change: dict[str, object], made_anew: set[str]
) -> None:
    first = make_practice_set(take, tmp_path, Rig(), SETTINGS)
    before = {path: path.stat().st_mtime_ns for path in first.folder.glob("*.flac")}
    make_practice_set(take, tmp_path, Rig(), replace(SETTINGS, **change))
    changed = {path.stem.partition("-")[0] for path, time_ns in before.items() if path.stat().st_mtime_ns != time_ns}
    assert changed == made_anew


@pytest.mark.parametrize("lufs", [-18.0, -9.0])
def test_half_a_second_is_made_as_loud_as_can_be_and_never_spoilt(tmp_path: Path, lufs: float) -> None:
    short = piece(tmp_path / "short.flac", 0.25, 0.45)
    made = make_practice_set(short, tmp_path / "set", Rig(), replace(SETTINGS, loudness_lufs=lufs))
    for track in made.index["tracks"]:
        sound, _ = soundfile.read(made.folder / track["files"]["flac"])
        assert np.isfinite(sound).all()
        assert 0.1 < np.abs(sound).max() < 10 ** (-1.0 / 20)
        assert track["loudness_lufs"] < lufs + 0.1


def test_a_very_soft_take_is_as_loud_as_any(tmp_path: Path) -> None:
    soft = piece(tmp_path / "soft.wav", 2.0, 6.0, 10 ** (-55.0 / 20))
    made = make_practice_set(soft, tmp_path / "set", Rig(), SETTINGS)
    assert [track["loudness_lufs"] for track in made.index["tracks"]] == pytest.approx([-18.0] * 3, abs=0.1)
