"""Rigs, sets, taps and notes: only from files, and not of any size, shape or depth."""

import os
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from thumbline.dsp.beats.tempo import read_taps
from thumbline.dsp.errors import InputError
from thumbline.dsp.files import text_files
from thumbline.dsp.files.text_files import read_whole
from thumbline.dsp.rig.file import load_rig, rig_text
from thumbline.dsp.rig.model import Rig
from thumbline.dsp.rig.set_file import load_set
from thumbline.dsp.scoring.truth import load_truth

READERS: dict[str, Callable[[Path], object]] = {
    "rig": load_rig,
    "set": load_set,
    "taps": read_taps,
    "truth": lambda path: load_truth(path, Rig()),
}
#: What reading anything may take: a hundredth of what the worst took, on a busy machine.
SOON_S = 30.0

posix = pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="no such files")
every_reader = pytest.mark.parametrize("reader", READERS)


def refusal(reader: str, path: Path) -> str:
    """What a reader says of a file, in time."""
    begun = time.monotonic()
    with pytest.raises(InputError) as raised:
        READERS[reader](path)
    assert time.monotonic() - begun < SOON_S
    assert str(path.parent) in str(raised.value)
    assert len(str(raised.value)) < 1000
    return str(raised.value)


@posix
@every_reader
@pytest.mark.parametrize("name", ["/dev/zero", "/dev/full", "/dev/tty0", "pipe", "socket", "folder", "round"])
def test_what_is_no_file_is_refused_at_once(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, reader: str, name: str
) -> None:
    import socket

    path = tmp_path / name
    if name.startswith("/dev") and not os.access(name, os.R_OK):
        pytest.skip("there is no such device")
    if name == "pipe":
        os.mkfifo(path)
    elif name == "socket":
        with socket.socket(socket.AF_UNIX) as there:
            monkeypatch.chdir(tmp_path)  # its name may be a hundred bytes long
            there.bind(name)
    elif name == "folder":
        path.mkdir()
    elif name == "round":
        path.symlink_to(path)
    assert "read" in refusal(reader, path)


@posix
def test_the_base_of_a_set_and_its_rigs_are_no_exception(tmp_path: Path) -> None:
    for line in ('base = "/dev/zero"\n[[songs]]\nname = "a"\n', '[[songs]]\nname = "a"\nrig = "/dev/zero"\n'):
        (tmp_path / "set.toml").write_text(line)
        with pytest.raises(InputError, match=r"/dev/zero: cannot be read \(it is a pipe or a device\)"):
            load_set(tmp_path / "set.toml")


@every_reader
def test_what_is_larger_than_any_such_file_is_refused_before_it_is_all_read(tmp_path: Path, reader: str) -> None:
    path = tmp_path / "huge"
    with path.open("wb") as file:
        file.truncate(100_000_000_000)  # sparse
    assert " MB" in refusal(reader, path)


def test_a_file_may_be_as_large_as_it_may_be(tmp_path: Path) -> None:
    path = tmp_path / "a"
    path.write_bytes(b"x" * 1000)
    assert read_whole(path, 1000) == b"x" * 1000
    with pytest.raises(OSError, match=r"0\.000999 MB"):
        read_whole(path, 999)


A = ["a"] * 20_000
WORST = {
    "unknown keys": "".join(f"k{number} = 1\n" for number in range(75_000)),
    "unknown keys of a section": "[detect]\n" + "".join(f"k{number} = 1\n" for number in range(75_000)),
    "tables": "".join(f"[a{number}]\n" for number in range(80_000)),
    "a long key": ".".join(A) + " = 1\n",
    "a long table": "[" + ".".join(A) + "]\n",
    "a long quoted key": ".".join(['"é! "'] * 20_000) + " = 1\n",
    "a long key in a table": "x = {y = 1, " + ".".join(A) + " = 1}\n",
    "keys as long as may be": "\n".join(".".join(A[:31]) + f".b{number} = 1" for number in range(11_000)),
    "lists": "a = " + "[" * 10_000 + "]" * 10_000,
    "lists that do not close": "a = " + "[" * 400_000,
    "tables in tables": "a = " + "{a=" * 10_000 + "1" + "}" * 10_000,
    "a whole number": "[instrument]\na4_hz = " + "9" * 900_000,
    "a whole number in another system": "[instrument]\na4_hz = 0x" + "f" * 900_000,
    "a fraction": "[instrument]\na4_hz = 1." + "3" * 900_000,
    "a text": "a = '" + "x" * 900_000 + "'",
    "a text of escapes": 'a = "' + "\\n" * 400_000 + '"',
    "a list of numbers": "bleed = [" + "1.5, " * 150_000 + "]",
    "modules": "[[mutes.modules]]\n" * 50_000,
}


@pytest.mark.parametrize("reader", ["rig", "set"])
@pytest.mark.parametrize("name", WORST)
def test_the_worst_texts_are_refused_soon(tmp_path: Path, reader: str, name: str) -> None:
    path = tmp_path / "worst.toml"
    path.write_text(WORST[name])
    assert len(WORST[name]) <= text_files.LARGEST_SETTINGS
    refusal(reader, path)


def test_dots_in_remarks_and_numbers_are_no_long_keys(tmp_path: Path) -> None:
    path = tmp_path / "rig.toml"
    path.write_text("# " + "." * 100 + "\n" + rig_text(Rig()) + "# " + ". " * 100 + "\n")
    assert load_rig(path) == Rig()
    path.write_text(f"[bleed]\nmatrix = [{', '.join(['[' + ', '.join(['0.001'] * 6) + ']'] * 7)}]\n")
    with pytest.raises(InputError, match=r"^((?!too many parts).)*$"):
        load_rig(path)


@posix
def test_sets_in_circles_and_through_links(tmp_path: Path) -> None:
    """A set names rigs, not sets, so there is no way round; links are followed to what they lead to."""
    for name, other in (("one", "two"), ("two", "one")):
        (tmp_path / f"{name}.toml").write_text(f'base = "{other}.toml"\n[[songs]]\nname = "a"\n')
    for name in ("one", "two"):
        assert "songs is not a setting" in refusal("set", tmp_path / f"{name}.toml").replace('"', "")
    (tmp_path / "own.toml").write_text('base = "own.toml"\n[[songs]]\nname = "a"\n')
    assert "songs is not a setting" in refusal("set", tmp_path / "own.toml")
    (tmp_path / "away").mkdir()
    (tmp_path / "away" / "rig.toml").write_text("[bass]\ninterval = -24\n")
    (tmp_path / "linked.toml").symlink_to(tmp_path / "away" / "rig.toml")
    (tmp_path / "set.toml").write_text('base = "linked.toml"\n[[songs]]\nname = "a"\n')
    (tmp_path / "to set.toml").symlink_to(tmp_path / "set.toml")
    assert load_set(tmp_path / "to set.toml")[0].rig.bass.interval == -24
    (tmp_path / "linked.toml").unlink()
    (tmp_path / "linked.toml").symlink_to("linked.toml")
    with pytest.raises(InputError, match=r"linked.toml: cannot be read \(Too many levels of symbolic links\)"):
        load_set(tmp_path / "set.toml")
