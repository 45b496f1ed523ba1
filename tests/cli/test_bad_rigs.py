"""A rig that makes no sense is refused by every command that reads one, in one clear line."""

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import soundfile
from numpy.typing import NDArray

RATE = 24_000
Run = Callable[..., tuple[int, str, str]]

NOISE: NDArray[np.float64] = 0.1 * np.random.default_rng(6).standard_normal((RATE, 6))


def write(path: Path, frames: NDArray[np.float64] = NOISE) -> Path:
    soundfile.write(path, frames, RATE, "PCM_16")
    return path


BAD_RIGS = {
    "not toml": ("strings = = 6", ()),
    "not text": ("\x00\x01", ()),
    "unknown section": ("[strings]\nn = 6", ("strings",)),
    "unknown key": ("[choice]\nrull = 'lowest string'", ("choice.rull",)),
    "text for a number": ("[choice]\nshortest_ms = 'long'", ("choice.shortest_ms", "long")),
    "number for text": ("[choice]\nrule = 6", ("choice.rule", "6", "lowest string")),
    "out of range": ("[choice]\nshortest_ms = 5000", ("choice.shortest_ms", "5000", "1000")),
    "nan": ("[choice]\nshortest_ms = nan", ("choice.shortest_ms", "nan")),
    "infinite": ("[bass]\nlevel_db = -inf", ("bass.level_db", "inf")),
    "a table for a list": ("[instrument.strings]\na = 1", ("instrument.strings",)),
    "a section that is a number": ("choice = 3", ("choice",)),
    "too few strings": ("[instrument]\nstrings = ['E4', 'B3', 'G3']", ("instrument.strings",)),
    "no note": ("[instrument]\nstrings = ['E4', 'B3', 'G3', 'H3']", ("instrument.strings", "H3")),
    "a string too low": ("[instrument]\nstrings = ['E4', 'B3', 'G3', 'C-1']", ("C-1",)),
    "a list too short": ("[detect]\non_db = [-40, -40]", ("detect.on_db",)),
    "off above on": (
        f"[detect]\non_db = {[-60] * 6}\noff_db = {[-40] * 6}",
        ("detect.off_db",),
    ),
    "matrix of text": ("[bleed]\nmatrix = [['a']]", ("bleed.matrix",)),
    "matrix that cannot be undone": (f"[bleed]\nmatrix = {[[1.0] * 6] * 6}", ("bleed.matrix",)),
    "channel 0": ("[input]\nchannels = [0, 1, 2, 3, 4, 5]", ("input.channels",)),
    "a channel twice": ("[input]\nchannels = [1, 1, 2, 3, 4, 5]", ("input.channels",)),
    "true for a number": ("[instrument]\ncapo = true", ("instrument.capo", "true")),
}


@pytest.mark.parametrize(("content", "words"), BAD_RIGS.values(), ids=BAD_RIGS)
@pytest.mark.parametrize("command", ["render", "calibrate", "check"])
def test_a_rig_that_makes_no_sense_is_refused(
    run: Run, tmp_path: Path, command: str, content: str, words: tuple[str, ...]
) -> None:
    rig = tmp_path / "rig.toml"
    rig.write_text(content)
    if command == "check":
        code, out, err = run("rig", "check", rig)
    else:
        take = write(tmp_path / "take.wav", NOISE[:, :4] if "G3', '" in content else NOISE)
        code, out, err = run(command, take, "--out", tmp_path / "out", "--rig", rig)
    assert (code, out) == (2, ""), err
    assert err.startswith("thumbline: ")
    for word in ("rig.toml", *words):
        assert word.lower() in err.lower()
    assert "Traceback" not in err
    assert not (tmp_path / "out").exists()


@pytest.mark.parametrize("command", ["render", "calibrate"])
def test_a_rig_that_is_not_there_is_refused(run: Run, tmp_path: Path, command: str) -> None:
    take = write(tmp_path / "take.wav")
    for rig in (tmp_path / "none.toml", tmp_path):
        code, out, err = run(command, take, "--out", tmp_path / "out", "--rig", rig)
        assert (code, out) == (2, ""), err
        assert err.startswith("thumbline: ")
        assert err.count("\n") == 1
        assert rig.name in err
