import shutil
import sys
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import soundfile

from tests.helpers.places import DATA, DEMO
from thumbline.dsp.rig.file import load_rig, rig_text, write_rig
from thumbline.dsp.synthetic.model_take import bleed_matrix

Run = Callable[..., tuple[int, str, str]]


@pytest.fixture(scope="module")
def takes(tmp_path_factory: pytest.TempPathFactory) -> list[Path]:
    sound, rate = soundfile.read(DEMO, dtype="int16", frames=6 * 48_000)
    folder = tmp_path_factory.mktemp("takes")
    for name in ("ebb", "flow"):
        soundfile.write(folder / f"{name}.flac", sound, rate)
    return [folder / "ebb.flac", folder / "flow.flac"]


def test_a_take_becomes_a_set_and_the_estimate_is_shown(run: Run, takes: list[Path], tmp_path: Path) -> None:
    code, out, err = run("practice", takes[0], "--out", tmp_path, "--speeds", "100", "--mix", "both")
    assert (code, err) == (0, "")
    assert "3 tracks" in out
    assert "107." in out
    assert "estimated" in out
    assert "--bpm" in out
    assert (tmp_path / "ebb" / "index.json").is_file()


def test_a_take_without_a_beat_is_told_as_one_and_how_to_tap(run: Run, tmp_path: Path) -> None:
    """Plucks of two strings whose distances have nothing in common."""
    rate, rng = 48_000, np.random.default_rng(3)
    onsets_s = 0.4 + np.cumsum(rng.exponential(0.35, 32) + 0.1)
    sound = np.zeros((round((onsets_s[-1] + 1.0) * rate), 6))
    for i, onset_s in enumerate(onsets_s):
        string, hz = ((5, 82.41), (3, 146.83))[i % 2]
        time_s = np.arange(round(0.3 * rate)) / rate
        tone = sum(np.sin(2.0 * np.pi * hz * k * time_s) / k for k in range(1, 6))
        first = round(onset_s * rate)
        sound[first : first + len(time_s), string] += 0.15 * tone * np.exp(-6.0 * time_s)
    soundfile.write(tmp_path / "free.flac", sound, rate)
    code, out, _ = run(
        "practice", tmp_path / "free.flac", "--out", tmp_path / "set", "--speeds", "100", "--mix", "bass"
    )
    assert code == 0
    assert "not sure of the beat: tap it in practice.html, or give --bpm" in out


def test_tracks_that_cannot_be_as_loud_as_wanted_are_named(run: Run, tmp_path: Path) -> None:
    sound, rate = soundfile.read(DEMO, dtype="int16", start=12_000, frames=21_600)
    soundfile.write(tmp_path / "blip.flac", sound, rate)
    code, out, _ = run("practice", tmp_path / "blip.flac", "--out", tmp_path, "--speeds", "100", "--mix", "both")
    assert code == 0
    assert "to be as loud as -18 LUFS: bass-100 (-" in out


def test_a_rig_of_another_guitar_is_named_and_so_is_one_of_a_set_that_is_there_already(
    run: Run, takes: list[Path], tmp_path: Path
) -> None:
    other = bleed_matrix(6, -22.0, 8.0, np.random.default_rng(5)).round(5).tolist()
    write_rig(tmp_path / "other.toml", rig_text(load_rig(DATA / "demo.toml").changed({"bleed.matrix": other})))
    for _ in range(2):
        code, _, err = run(
            *("practice", takes[0], "--rig", tmp_path / "other.toml", "--out", tmp_path),
            *("--speeds", "100", "--mix", "both", "--bpm", "107"),
        )
        assert code == 0
        assert err.startswith("ebb: the rig does not fit this take: the strings bleed into one another")
        assert "leave --rig out" in err


def test_several_takes_are_made_at_once(run: Run, takes: list[Path], tmp_path: Path) -> None:
    some = ("--speeds", "100", "--mix", "both", "--bpm", "107")
    code, out, _ = run("practice", *takes, "--out", tmp_path, "--jobs", "2", *some)
    assert code == 0
    assert [line.split(":")[0] for line in out.splitlines()[::2]] == [str(tmp_path / "ebb"), str(tmp_path / "flow")]
    code, out, _ = run("practice", *takes, "--out", tmp_path, *some)
    assert out.count("0 files written") == 2


@pytest.mark.parametrize("jobs", [1, 2])
def test_bad_takes_are_named_in_their_order_and_the_good_ones_made_all_the_same(
    run: Run, takes: list[Path], tmp_path: Path, jobs: int
) -> None:
    damaged, quiet = tmp_path / "damaged.wav", tmp_path / "quiet.wav"
    damaged.write_bytes(b"no sound")
    soundfile.write(quiet, np.zeros((48_000, 6)), 48_000)
    ebb, flow = takes
    some = ("--speeds", "100", "--mix", "both", "--bpm", "107")
    code, out, err = run("practice", damaged, ebb, quiet, flow, "--out", tmp_path / "out", "--jobs", str(jobs), *some)
    assert code == 2
    first, second = err.splitlines()
    assert first.startswith("thumbline: ")
    assert str(damaged) in first
    assert "not a sound file" in first
    assert second.startswith(f"thumbline: {quiet}: no note was found")
    assert [line.split(":")[0] for line in out.splitlines()[::2]] == [
        str(tmp_path / "out" / n) for n in ("ebb", "flow")
    ]
    assert sorted(path.name for path in (tmp_path / "out").iterdir()) == ["ebb", "flow"]
    assert (tmp_path / "out" / "flow" / "index.json").is_file()


def test_a_reason_that_does_not_name_the_take_is_told_with_its_name(
    run: Run, takes: list[Path], tmp_path: Path
) -> None:
    code, out, err = run("practice", *takes, "--out", tmp_path, "--bpm", "107", "--loop", "bars 90-91")
    assert (code, out) == (2, "")
    assert [line.partition(': loop "bars 90-91"')[0] for line in err.splitlines()] == [f"thumbline: {t}" for t in takes]


def test_taps_that_cannot_be_read_are_told_once(run: Run, takes: list[Path], tmp_path: Path) -> None:
    code, out, err = run("practice", *takes, "--out", tmp_path / "out", "--taps", tmp_path / "none.txt")
    assert (code, out) == (2, "")
    assert len(err.splitlines()) == 1


@pytest.mark.parametrize("jobs", [1, 2])
def test_a_place_that_cannot_be_written_ends_all_at_once(
    run: Run, takes: list[Path], tmp_path: Path, jobs: int
) -> None:
    (tmp_path / "out").write_text("mine")
    more = [shutil.copy(takes[0], tmp_path / f"{name}.flac") for name in ("rip", "slack")]
    code, out, err = run("practice", *takes, *more, "--out", tmp_path / "out", "--bpm", "107", "--jobs", str(jobs))
    assert (code, out) == (2, "")
    assert len(err.splitlines()) == 1
    assert "cannot write into the folder" in err
    assert (tmp_path / "out").read_text() == "mine"


@pytest.mark.skipif(sys.platform == "win32", reason="no limits on the size of files")
@pytest.mark.parametrize("jobs", [1, 2])
def test_a_full_disk_ends_all_at_once(run: Run, takes: list[Path], tmp_path: Path, jobs: int) -> None:
    import resource

    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (20_000, hard))  # workers have it too
    try:
        code, out, err = run("practice", *takes, "--out", tmp_path / "out", "--bpm", "107", "--jobs", str(jobs))
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))
    assert (code, out) == (2, "")
    assert len(err.splitlines()) == 1
    assert err.startswith("thumbline: cannot write")
    assert list((tmp_path / "out").iterdir()) == []


@pytest.mark.parametrize(
    "arguments",
    [
        ("--bpm", "5"),
        ("--speeds", "slow"),
        ("--ladder", "100-60"),
        ("--mix", "drums"),
        ("--format", "wma"),
        ("--click", "sometimes"),
        ("--taps", "none.txt"),
        ("--loop", "verse"),
        ("--loop", "bars 90-91"),
        ("--rig", "none.toml"),
    ],
)
def test_what_cannot_be_is_one_line_and_leaves_nothing(
    run: Run, takes: list[Path], tmp_path: Path, arguments: tuple[str, str]
) -> None:
    code, out, err = run("practice", takes[0], "--out", tmp_path / "out", *arguments)
    assert (code, out) == (2, "")
    assert len(err.splitlines()) == 1
    assert not (tmp_path / "out").exists()


def test_a_file_that_is_no_take_is_refused(run: Run, tmp_path: Path) -> None:
    (tmp_path / "take.wav").write_bytes(b"no sound")
    code, _, err = run("practice", tmp_path / "take.wav", "--out", tmp_path / "out")
    assert code == 2
    assert "not a sound file" in err
