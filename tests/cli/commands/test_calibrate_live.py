"""`thumbline calibrate --live`, with a take in place of the interface."""

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import soundfile

from tests.cli.devices.test_guide import RATE, TAKE
from thumbline.dsp.rig.file import load_rig

Run = Callable[..., tuple[int, str, str]]


@pytest.fixture
def take(tmp_path: Path) -> Path:
    path = tmp_path / "open strings.wav"
    soundfile.write(path, TAKE, RATE, subtype="FLOAT")
    return path


def test_the_guided_rig_is_the_rig_of_the_same_take(run: Run, take: Path, tmp_path: Path) -> None:
    guided, plain, kept = tmp_path / "guided.toml", tmp_path / "plain.toml", tmp_path / "kept.wav"
    code, out, err = run("calibrate", "--live", take, "--out", guided, "--keep", kept)
    assert (code, err) == (0, "")
    assert out.index("Hands off") < out.index("string 6 (E2)") < out.index("string 1 (E4)") < out.index("Mains hum")
    assert run("calibrate", kept, "--out", plain)[0] == 0
    assert load_rig(guided) == load_rig(plain)
    samples, rate = soundfile.read(kept)
    assert rate == RATE
    np.testing.assert_allclose(samples, TAKE[: len(samples)], atol=1e-6)
    assert "measured from kept.wav" in guided.read_text()


def test_without_keep_nothing_but_the_rig_is_left(run: Run, take: Path, tmp_path: Path) -> None:
    assert run("calibrate", "--live", take, "--out", tmp_path / "rig.toml")[0] == 0
    assert {path.name for path in tmp_path.iterdir()} == {"open strings.wav", "rig.toml"}


def test_a_sound_that_ends_too_soon_leaves_the_former_rig(run: Run, tmp_path: Path) -> None:
    short, rig = tmp_path / "short.wav", tmp_path / "rig.toml"
    soundfile.write(short, TAKE[: 6 * RATE], RATE)
    rig.write_text("# mine\n")
    code, _, err = run("calibrate", "--live", short, "--out", rig)
    assert code == 2
    assert "ended before every string" in err
    assert rig.read_text() == "# mine\n"


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        ((), "no TAKE"),
        (("--keep", "kept.wav"), "--keep is given without --live"),
        (("--rate", "48000"), "--rate is given without --live"),
    ],
)
def test_what_only_goes_with_live_says_so(run: Run, tmp_path: Path, arguments: tuple[str, ...], words: str) -> None:
    code, out, err = run("calibrate", *arguments, "--out", tmp_path / "rig.toml")
    assert (code, out) == (2, "")
    assert words in err
    assert err.count("\n") == 1


def test_a_take_and_a_device_exclude_one_another(run: Run, take: Path, tmp_path: Path) -> None:
    code, _, err = run("calibrate", "--live", take, "--input", "0", "--out", tmp_path / "rig.toml")
    assert code == 2
    assert "one or the other" in err


def test_a_recording_that_cannot_be_kept_is_said(run: Run, take: Path, tmp_path: Path) -> None:
    (tmp_path / "folder.wav").mkdir()
    for keep, words in ((tmp_path / "folder.wav", "is not a regular file"), (tmp_path / "kept.mp3", ".wav")):
        code, _, err = run("calibrate", "--live", take, "--out", tmp_path / "rig.toml", "--keep", keep)
        assert code == 2
        assert words in err
    assert not (tmp_path / "rig.toml").exists()
