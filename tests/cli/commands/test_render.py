"""`thumbline render` as a player uses it, and what is left when it is interrupted."""

import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import soundfile
from numpy.typing import NDArray

from thumbline.dsp.synthetic.demo_score import STRINGS
from thumbline.dsp.synthetic.model_take import hiss, render_string
from thumbline.dsp.synthetic.string_model import Pluck

RATE = 24_000
Run = Callable[..., tuple[int, str, str]]

posix = pytest.mark.skipif(sys.platform == "win32", reason="signals differ there")


def make_take(seconds: float = 1.5) -> NDArray[np.float64]:
    rng = np.random.default_rng(4)
    frames = round(seconds * RATE)
    take = hiss(frames, 6, -85.0, rng)
    for string, start in ((5, 0.2), (6, 0.6)):
        pluck = Pluck(start, STRINGS[string].open_midi, start + 0.6, 0.8)
        take[:, string - 1] += render_string(STRINGS[string], [pluck], frames, RATE, rng)[0]
    return np.asarray(take, np.float64)


TAKE = make_take()


def write_take(path: Path) -> Path:
    soundfile.write(path, TAKE, RATE)
    return path


def long_take(path: Path, repeats: int = 80) -> Path:
    """Two minutes: seconds of work."""
    with soundfile.SoundFile(path, "w", RATE, 6, "PCM_16") as file:
        for _ in range(repeats):
            file.write(TAKE)
    return path


def start(*arguments: str | Path) -> subprocess.Popen[str]:
    """Start the command in a process group of its own, as a terminal would."""
    command = [sys.executable, "-m", "thumbline.cli", *map(str, arguments)]
    return subprocess.Popen(
        command,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        errors="replace",
        start_new_session=True,
    )


def hidden_folder_appears(out: Path, *, with_file: str = "", seconds: float = 60.0) -> bool:
    """Wait until work in ``out`` has begun, and has come as far as ``with_file``."""
    deadline = time.monotonic() + seconds
    while time.monotonic() < deadline:
        if out.is_dir() and any((folder / with_file).exists() for folder in out.glob(".thumbline-*")):
            return True
        time.sleep(0.01)
    return False


def test_a_take_becomes_a_folder_and_a_line_tells_what_came_of_it(run: Run, tmp_path: Path) -> None:
    code, out, err = run("render", write_take(tmp_path / "pier.wav"), "--out", tmp_path / "out")
    assert (code, err) == (0, "")
    assert out.startswith(f"{tmp_path / 'out' / 'pier'}: 1.5 s, 2 bass notes of 2, ")
    assert (tmp_path / "out" / "pier" / "bass.wav").exists()


@pytest.mark.parametrize(
    "name",
    [
        "two words.wav",
        "Tarnhölm ♭5.wav",
        "港の夜.wav",
        "a'b\"c.wav",
        "100%.wav",
        "[red] pier.wav",
        ".hidden.wav",
        "x.y.wav",
    ],
)
def test_takes_may_be_named_anything(run: Run, tmp_path: Path, name: str) -> None:
    code, out, err = run("render", write_take(tmp_path / name), "--out", tmp_path / "out")
    assert (code, err) == (0, "")
    (folder,) = (tmp_path / "out").iterdir()
    assert folder.name == Path(name).stem.lstrip(".")
    assert str(folder) in out


def test_a_leading_dash_needs_the_usual_two_dashes(run: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    write_take(tmp_path / "-pier.wav")
    assert run("render", "--out", "out", "--", "-pier.wav")[0] == 0
    assert (tmp_path / "out" / "-pier" / "bass.wav").exists()
    assert run("render", "--out", "out", "-pier.wav")[0] == 2


def test_a_name_that_cannot_be_decoded_is_no_obstacle(tmp_path: Path) -> None:
    path = Path(str(tmp_path) + "/caf\udce9.wav")
    try:
        write_take(tmp_path / "plain.wav").rename(path)
    except (OSError, UnicodeError):
        pytest.skip("this file system accepts UTF-8 names only")
    done = start("render", path, "--out", tmp_path / "out")
    _, err = done.communicate(timeout=120)
    assert (done.returncode, err) == (0, "")
    assert len(list((tmp_path / "out").iterdir())) == 1


@pytest.mark.parametrize("jobs", [1, 2])
def test_several_takes_have_a_folder_and_a_line_each_in_their_order(run: Run, tmp_path: Path, jobs: int) -> None:
    takes = [write_take(tmp_path / f"{name}.wav") for name in ("b", "a")]
    code, out, err = run("render", *takes, "--out", tmp_path / "out", "--jobs", str(jobs))
    assert (code, err) == (0, "")
    assert [Path(line.split(": ")[0]).name for line in out.splitlines()] == ["b", "a"]
    results = [(tmp_path / "out" / name / "bassline.csv").read_bytes() for name in "ab"]
    assert results[0] == results[1]


@pytest.mark.parametrize("jobs", [1, 2])
def test_two_takes_of_one_name_are_refused_before_anything_is_written(run: Run, tmp_path: Path, jobs: int) -> None:
    (tmp_path / "other").mkdir()
    takes = [write_take(tmp_path / "pier.wav"), write_take(tmp_path / "other" / "Pier.wav")]
    code, out, err = run("render", *takes, "--out", tmp_path / "out", "--jobs", str(jobs))
    assert (code, out) == (2, "")
    assert "same name" in err
    assert not (tmp_path / "out").exists()


@pytest.mark.parametrize("jobs", [1, 2])
def test_one_bad_take_among_good_ones_is_named_and_exits_2(run: Run, tmp_path: Path, jobs: int) -> None:
    bad = tmp_path / "bad.wav"
    bad.write_text("no sound")
    good = write_take(tmp_path / "good.wav")
    code, out, err = run("render", bad, good, "--out", tmp_path / "out", "--jobs", str(jobs))
    assert code == 2
    assert len(err.splitlines()) == 1
    assert "bad.wav" in err
    assert out.startswith(f"{tmp_path / 'out' / 'good'}: ")
    assert (tmp_path / "out" / "good" / "summary.json").exists()
    assert sorted(path.name for path in (tmp_path / "out").iterdir()) == ["good"]


def test_a_rig_is_used(run: Run, tmp_path: Path) -> None:
    rig = tmp_path / "rig.toml"
    rig.write_text("[choice]\nstrings = [1, 2, 3, 4, 5]\n")
    code, out, _ = run("render", write_take(tmp_path / "pier.wav"), "--out", tmp_path / "out", "--rig", rig)
    assert code == 0
    assert "1 bass notes of 2" in out


@posix
@pytest.mark.parametrize(
    ("number", "to_all", "jobs"),
    [
        pytest.param(signal.SIGINT, True, 1, id="Ctrl-C"),
        pytest.param(signal.SIGTERM, False, 1, id="kill"),
        pytest.param(signal.SIGINT, True, 2, id="Ctrl-C, two jobs"),
        pytest.param(signal.SIGTERM, False, 2, id="kill, two jobs"),
    ],
)
def test_an_interrupt_leaves_nothing_half_written_and_exits_1(
    tmp_path: Path, number: signal.Signals, to_all: bool, jobs: int
) -> None:
    """A terminal's Ctrl-C reaches the workers too, a kill does not."""
    takes = [long_take(tmp_path / f"{name}.wav") for name in ("a", "b")[:jobs]]
    process = start("render", *takes, "--out", tmp_path / "out", "--jobs", str(jobs))
    assert hidden_folder_appears(tmp_path / "out")
    if to_all:
        os.killpg(process.pid, number)
    else:
        process.send_signal(number)
    _, err = process.communicate(timeout=100)
    assert process.returncode == 1
    assert "interrupted" in err
    assert "Traceback" not in err
    assert list((tmp_path / "out").iterdir()) == []


@posix
def test_an_interrupt_ends_a_worker_that_waits_for_more_and_one_that_works(tmp_path: Path) -> None:
    takes = [write_take(tmp_path / "short.wav"), long_take(tmp_path / "long.wav", 400)]
    process = start("render", *takes, "--out", tmp_path / "out", "--jobs", "2")
    deadline = time.monotonic() + 60.0
    while not (tmp_path / "out" / "short").is_dir() and time.monotonic() < deadline:
        time.sleep(0.01)
    time.sleep(0.3)  # so that the worker that made it waits
    assert list((tmp_path / "out").glob(".thumbline-*")), "the other one works"
    os.killpg(process.pid, signal.SIGINT)
    try:
        _, err = process.communicate(timeout=60)
    except subprocess.TimeoutExpired:
        os.killpg(process.pid, signal.SIGKILL)  # or it would wait for ever
        raise
    assert process.returncode == 1
    assert "interrupted" in err
    assert [path.name for path in (tmp_path / "out").iterdir()] == ["short"]


@posix
def test_what_a_killed_render_left_is_gone_after_the_next(run: Run, tmp_path: Path) -> None:
    process = start("render", long_take(tmp_path / "long.wav"), "--out", tmp_path / "out")
    assert hidden_folder_appears(tmp_path / "out", with_file="bass.wav")
    process.kill()
    process.communicate(timeout=60)
    assert len(list((tmp_path / "out").glob(".thumbline-*"))) == 1
    assert run("render", write_take(tmp_path / "pier.wav"), "--out", tmp_path / "out")[0] == 0
    assert [path.name for path in (tmp_path / "out").iterdir()] == ["pier"]


@posix
def test_an_interrupted_render_leaves_the_former_result_as_it_was(run: Run, tmp_path: Path) -> None:
    assert run("render", write_take(tmp_path / "long.wav"), "--out", tmp_path / "out")[0] == 0
    former = {path.name: path.read_bytes() for path in (tmp_path / "out" / "long").iterdir()}
    process = start("render", long_take(tmp_path / "long.wav"), "--out", tmp_path / "out")
    assert hidden_folder_appears(tmp_path / "out", with_file="bass.wav")
    process.send_signal(signal.SIGINT)
    process.communicate(timeout=60)
    assert process.returncode == 1
    assert [path.name for path in (tmp_path / "out").iterdir()] == ["long"]
    assert {path.name: path.read_bytes() for path in (tmp_path / "out" / "long").iterdir()} == former


def test_the_same_output_asked_for_twice_at_once_is_whole(tmp_path: Path) -> None:
    take = write_take(tmp_path / "pier.wav")
    both = [start("render", take, "--out", tmp_path / "out") for _ in range(2)]
    for process in both:
        _, err = process.communicate(timeout=120)
        assert (process.returncode, err) == (0, "")
    (folder,) = (tmp_path / "out").iterdir()
    assert len(list(folder.iterdir())) == 10
    assert soundfile.info(str(folder / "bass.wav")).frames == len(TAKE)


@posix
def test_a_reader_that_leaves_early_does_not_spoil_the_result(tmp_path: Path) -> None:
    take = write_take(tmp_path / "pier.wav")
    process = start("render", take, "--out", tmp_path / "out")
    assert process.stdout is not None
    assert process.stderr is not None
    process.stdout.close()
    err = process.stderr.read()
    assert process.wait(timeout=120) in (0, 1)
    assert err == ""
    assert (tmp_path / "out" / "pier" / "summary.json").exists()
    process.stderr.close()
