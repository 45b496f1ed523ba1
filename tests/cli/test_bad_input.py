"""What cannot be used is refused in one clear line, exit code 2, and nothing is lost or left behind."""

import os
import struct
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import soundfile
from numpy.typing import NDArray

RATE = 24_000
Run = Callable[..., tuple[int, str, str]]

RNG = np.random.default_rng(6)
NOISE: NDArray[np.float64] = 0.1 * RNG.standard_normal((RATE, 6))


def refused(result: tuple[int, str, str], *words: str) -> None:
    """Exit code 2, nothing on standard output, one line on standard error with all the words."""
    code, out, err = result
    assert (code, out) == (2, ""), err
    assert err.startswith("thumbline: ")
    assert err.count("\n") == 1
    for word in words:
        assert word in err


def write(path: Path, frames: NDArray[np.float64] = NOISE, subtype: str = "PCM_16", rate: int = RATE) -> Path:
    soundfile.write(path, frames, rate, subtype)
    return path


def missing(folder: Path) -> Path:
    return folder / "take.wav"


def text(folder: Path) -> Path:
    (folder / "take.wav").write_text("not a sound at all\n" * 100)
    return folder / "take.wav"


def empty(folder: Path) -> Path:
    (folder / "take.wav").touch()
    return folder / "take.wav"


def cut_wav(folder: Path) -> Path:
    path = write(folder / "take.wav")
    path.write_bytes(path.read_bytes()[: path.stat().st_size // 2])
    return path


def cut_flac(folder: Path) -> Path:
    path = write(folder / "take.flac")
    path.write_bytes(path.read_bytes()[: path.stat().st_size // 2])
    return path


def cut_header(folder: Path) -> Path:
    path = write(folder / "take.wav")
    path.write_bytes(path.read_bytes()[:30])
    return path


def with_value(value: float) -> Callable[[Path], Path]:
    def make(folder: Path) -> Path:
        frames = NOISE.copy()
        frames[12_345, 4] = value
        return write(folder / "take.wav", frames, "FLOAT")

    return make


def too_few(folder: Path) -> Path:
    return write(folder / "take.wav", NOISE[:, :5])


def too_many(folder: Path) -> Path:
    return write(folder / "take.wav", np.column_stack([NOISE, NOISE]))


def mono(folder: Path) -> Path:
    return write(folder / "take.wav", NOISE[:, :1])


def low_rate(folder: Path) -> Path:
    return write(folder / "take.wav", rate=8000)


def high_rate(folder: Path) -> Path:
    return write(folder / "take.wav", rate=384_000)


def huge_promise(folder: Path) -> Path:
    """A header that promises a gigabyte."""
    path = write(folder / "take.wav")
    raw = bytearray(path.read_bytes())
    at = raw.index(b"data") + 4
    raw[at : at + 4] = struct.pack("<I", 2**30)
    path.write_bytes(raw)
    return path


def empty_folder(folder: Path) -> Path:
    (folder / "take").mkdir()
    return folder / "take"


def five_files(folder: Path) -> Path:
    (folder / "take").mkdir()
    for s in range(5):
        write(folder / "take" / f"{s}.wav", NOISE[:, s])
    return folder / "take"


def unequal_files(folder: Path) -> Path:
    (folder / "take").mkdir()
    for s in range(6):
        write(folder / "take" / f"{s}.wav", NOISE[: RATE - s, s])
    return folder / "take"


def stereo_files(folder: Path) -> Path:
    (folder / "take").mkdir()
    for s in range(6):
        write(folder / "take" / f"{s}.wav", NOISE[:, :2])
    return folder / "take"


BAD_TAKES: list[tuple[Callable[[Path], Path], tuple[str, ...]]] = [
    (missing, ("take.wav", "no such file")),
    (text, ("take.wav", "not a sound file", "accepted")),
    (empty, ("take.wav",)),
    (cut_wav, ("take.wav", "cut short")),
    (cut_flac, ("take.flac", "cut short")),
    (cut_header, ("take.wav",)),
    (huge_promise, ("take.wav", "cut short")),
    (with_value(np.nan), ("take.wav", "channel 5", "NaN", "12345")),
    (with_value(np.inf), ("take.wav", "channel 5", "infinity", "12345")),
    (with_value(-np.inf), ("take.wav", "channel 5", "infinity", "12345")),
    (too_few, ("take.wav", "5 channels", "6 strings")),
    (too_many, ("take.wav", "12 channels", "6 strings")),
    (mono, ("take.wav", "1 channel,", "6 strings")),
    (low_rate, ("take.wav", "8000 Hz", "22050 to 192000")),
    (high_rate, ("take.wav", "384000 Hz", "22050 to 192000")),
    (empty_folder, ("take", "no sound file")),
    (five_files, ("take", "5 mono files", "6 strings")),
    (unequal_files, ("take", "frames", "equally long")),
    (stereo_files, ("take", "2 channels", "mono")),
]
IDS = [f"{make.__name__} {words[2] if make.__name__ == 'make' else ''}".strip() for make, words in BAD_TAKES]


@pytest.mark.parametrize("command", ["render", "calibrate"])
@pytest.mark.parametrize(("make", "words"), BAD_TAKES, ids=IDS)
def test_a_take_that_cannot_be_used_is_refused(
    run: Run, tmp_path: Path, command: str, make: Callable[[Path], Path], words: tuple[str, ...]
) -> None:
    out = tmp_path / "out"
    code, printed, err = run(command, make(tmp_path), "--out", out)
    refused((code, printed, err.replace("No such", "no such")), *words)
    assert not out.exists() or list(out.iterdir()) == []


def test_an_output_that_is_a_file_is_refused_and_stays(run: Run, tmp_path: Path) -> None:
    take, out = write(tmp_path / "take.wav"), tmp_path / "out"
    out.write_text("mine")
    refused(run("render", take, "--out", out), "out")
    assert out.read_text() == "mine"
    out.unlink()
    out.mkdir()
    (out / "take").write_text("mine")
    refused(run("render", take, "--out", out), "take")
    assert (out / "take").read_text() == "mine"


@pytest.mark.skipif(sys.platform != "linux", reason="/proc is Linux'")
def test_an_output_that_cannot_be_written_is_refused(run: Run, tmp_path: Path) -> None:
    take = write(tmp_path / "take.wav")
    refused(run("render", take, "--out", "/proc/nowhere"), "/proc/nowhere")
    refused(
        run("calibrate", "--out", "/proc/nowhere.toml", write(tmp_path / "pulses.wav", pulses())), "/proc/nowhere.toml"
    )


def pulses() -> NDArray[np.float64]:
    """Something on every string that counts as played."""
    frames = np.zeros((6 * RATE, 6))
    for s in range(6):
        time = np.arange(RATE // 2) / RATE
        frames[s * RATE + RATE // 4 : s * RATE + RATE // 4 + RATE // 2, s] = 0.2 * np.sin(
            2 * np.pi * (329.6, 246.9, 196.0, 146.8, 110.0, 82.4)[s] * time
        )
    return frames + 1e-5 * RNG.standard_normal(frames.shape)


@pytest.mark.skipif(sys.platform != "linux", reason="/dev/full is Linux'")
def test_a_full_disk_under_standard_output_is_not_silent_success(tmp_path: Path) -> None:
    with Path("/dev/full").open("w") as full:
        done = subprocess.run(
            [sys.executable, "-m", "thumbline.cli", "rig", "explain"],
            stdout=full,
            stderr=subprocess.PIPE,
            text=True,
            check=False,
        )
    assert done.returncode == 1
    assert "Traceback" not in done.stderr


def test_silence_is_rendered_with_a_word_of_warning(run: Run, tmp_path: Path) -> None:
    take = write(tmp_path / "take.wav", np.zeros((RATE, 6)))
    code, out, err = run("render", take, "--out", tmp_path / "out")
    assert code == 0
    assert "0 bass notes of 0" in out
    assert "no note was found" in err
    assert len(list((tmp_path / "out" / "take").iterdir())) == 10


@pytest.mark.parametrize("kind", ["white", "square", "constant"])
def test_full_scale_is_survived(run: Run, tmp_path: Path, kind: str) -> None:
    frames = {
        "white": RNG.uniform(-1.0, 1.0, (RATE, 6)),
        "square": np.sign(RNG.standard_normal((RATE, 6))),
        "constant": np.ones((RATE, 6)),
    }[kind]
    code, _, err = run("render", write(tmp_path / "take.wav", frames), "--out", tmp_path / "out")
    assert code == 0, err
    for name in ("bass.wav", "guitar.wav"):
        sound, _ = soundfile.read(tmp_path / "out" / "take" / name)
        assert np.abs(sound).max() <= 10 ** (-1.0 / 20) + 1e-6, "the ceiling of -1 dBFS"


@pytest.mark.parametrize(("gain", "faulty"), [(32768.0, 0), (1e30, 6)])
def test_samples_far_beyond_full_scale_are_survived(run: Run, tmp_path: Path, gain: float, faulty: int) -> None:
    """A float file may hold whole numbers of 16 bits, as some programs write it; beyond 1e6 nothing is sound."""
    take = write(tmp_path / "take.wav", gain * NOISE, "DOUBLE")
    code, _, err = run("render", take, "--out", tmp_path / "out")
    assert code == 0, err
    assert "a fault in the program" not in err
    assert err.count("holds invalid samples") == faulty


@pytest.mark.skipif(sys.platform == "win32" or os.geteuid() == 0, reason="permissions do not bind this user")
def test_a_folder_without_permission_is_refused(run: Run, tmp_path: Path) -> None:
    take = write(tmp_path / "take.wav")
    locked = tmp_path / "locked"
    locked.mkdir(mode=0o500)
    refused(run("render", take, "--out", locked), "locked")
