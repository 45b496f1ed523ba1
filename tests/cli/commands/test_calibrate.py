"""`thumbline calibrate` as a player uses it."""

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import soundfile
from numpy.typing import NDArray

from thumbline.dsp.rig.file import load_rig
from thumbline.dsp.synthetic.demo_score import STRINGS
from thumbline.dsp.synthetic.model_take import hiss, render_string
from thumbline.dsp.synthetic.string_model import Pluck

RATE = 24_000
Run = Callable[..., tuple[int, str, str]]


def make_take() -> NDArray[np.float64]:
    """Each open string once, from the lowest up."""
    rng = np.random.default_rng(4)
    frames = round(5.4 * RATE)
    take = hiss(frames, 6, -85.0, rng)
    for string in range(1, 7):
        begin = 0.4 + 0.8 * (6 - string)
        pluck = Pluck(begin, round(STRINGS[string].open_midi), begin + 0.7, 0.8)
        take[:, string - 1] += render_string(STRINGS[string], [pluck], frames, RATE, rng)[0]
    return np.asarray(take, np.float64)


TAKE = make_take()


@pytest.fixture
def take(tmp_path: Path) -> Path:
    path = tmp_path / "open strings.wav"
    soundfile.write(path, TAKE, RATE)
    return path


def test_a_rig_is_written_that_render_and_check_accept(run: Run, take: Path, tmp_path: Path) -> None:
    rig = tmp_path / "harbour.toml"
    code, out, err = run("calibrate", take, "--out", rig)
    assert (code, err) == (0, "")
    assert f"{rig}: written" in out
    assert "Mains hum: none." in out
    assert run("rig", "check", rig)[0] == 0
    code, out, err = run("render", take, "--out", tmp_path / "out", "--rig", rig)
    assert (code, err) == (0, "")
    assert "6 bass notes of 6" in out


def test_every_string_has_a_row(run: Run, take: Path, tmp_path: Path) -> None:
    _, out, _ = run("calibrate", take, "--out", tmp_path / "rig.toml")
    for note in ("E4", "B3", "G3", "D3", "A2", "E2"):
        assert note in out


def test_the_base_is_kept_beyond_what_is_measured_and_is_not_changed(run: Run, take: Path, tmp_path: Path) -> None:
    base, rig = tmp_path / "base.toml", tmp_path / "rig.toml"
    base.write_text('[choice]\nrule = "lowest pitch"\n')
    assert run("calibrate", take, "--out", rig, "--rig", base)[0] == 0
    assert load_rig(rig).choice.rule == "lowest pitch"
    assert base.read_text() == '[choice]\nrule = "lowest pitch"\n'


def test_a_base_may_be_its_own_result(run: Run, take: Path, tmp_path: Path) -> None:
    rig = tmp_path / "rig.toml"
    rig.write_text('[choice]\nrule = "lowest pitch"\n')
    assert run("calibrate", take, "--out", rig, "--rig", rig)[0] == 0
    assert load_rig(rig).choice.rule == "lowest pitch"
    assert load_rig(rig).detect.on_db != "auto"


def test_what_should_be_looked_at_is_said_on_stderr_and_the_rig_is_written_all_the_same(
    run: Run, tmp_path: Path
) -> None:
    dead = TAKE.copy()
    dead[:, 2] = 0.0
    soundfile.write(tmp_path / "take.wav", dead, RATE)
    code, _, err = run("calibrate", tmp_path / "take.wav", "--out", tmp_path / "rig.toml")
    assert code == 0
    assert err.startswith("Note: string 3 (G3, channel 3): never heard")
    load_rig(tmp_path / "rig.toml")


@pytest.mark.parametrize("kind", ["silence", "text", "missing"])
def test_a_take_that_cannot_be_used_exits_2_and_leaves_the_former_rig(run: Run, tmp_path: Path, kind: str) -> None:
    take, rig = tmp_path / "take.wav", tmp_path / "rig.toml"
    rig.write_text("# mine\n")
    if kind == "silence":
        soundfile.write(take, np.zeros((RATE, 6)), RATE)
    elif kind == "text":
        take.write_text("no sound")
    code, out, err = run("calibrate", take, "--out", rig)
    assert (code, out) == (2, "")
    assert err.count("\n") == 1
    assert "take.wav" in err
    assert rig.read_text() == "# mine\n"


def test_an_output_that_cannot_be_written_exits_2(run: Run, take: Path, tmp_path: Path) -> None:
    (tmp_path / "folder").mkdir()
    for target in (tmp_path / "folder", take / "rig.toml"):
        code, _, err = run("calibrate", take, "--out", target)
        assert code == 2
        assert target.name in err
        assert "Traceback" not in err


def test_a_base_that_does_not_fit_the_take_exits_2(run: Run, take: Path, tmp_path: Path) -> None:
    base = tmp_path / "seven.toml"
    base.write_text('[instrument]\nstrings = ["E4", "B3", "G3", "D3", "A2", "E2", "B1"]\n')
    code, _, err = run("calibrate", take, "--out", tmp_path / "rig.toml", "--rig", base)
    assert code == 2
    assert "6 channels" in err
    assert "7 strings" in err
    assert not (tmp_path / "rig.toml").exists()
