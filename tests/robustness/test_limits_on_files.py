"""Few descriptors, no room, other disks, files that claim what they do not hold, and what is no file at all."""

import os
import resource
import shutil
import socket
import struct
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import soundfile

import thumbline.dsp.files.takes as takes
from tests.material.take_files import content, refusal, write
from thumbline.dsp.errors import InputError
from thumbline.dsp.files.atomic_write import write_whole
from thumbline.dsp.files.outputs import OutputFolder

Run = Callable[..., tuple[int, str, str]]
pytestmark = pytest.mark.skipif(sys.platform != "linux", reason="limits and devices are Linux'")

#: Makes a result with as few descriptors as the first argument allows.
WITH_FEW = """
import resource, sys
from pathlib import Path
from thumbline.dsp.errors import InputError
from thumbline.dsp.files.outputs import OutputFolder

few = int(sys.argv[2])
resource.setrlimit(resource.RLIMIT_NOFILE, (few, few))
try:
    with OutputFolder(Path(sys.argv[1]), "gig") as folder:
        (folder.path / "bass.wav").write_text("new")
        held = [(folder.path / f"{number}.csv").open("w") for number in range(9)]
        [each.close() for each in held]
except (InputError, OSError) as error:
    print(type(error).__name__)
"""


@pytest.mark.parametrize("few", range(3, 24))
def test_without_descriptors_no_hidden_folder_stays(tmp_path: Path, few: int) -> None:
    done = subprocess.run(
        [sys.executable, "-c", WITH_FEW, str(tmp_path), str(few)], capture_output=True, text=True, check=False
    )
    left = [path for path in tmp_path.iterdir() if path.name.startswith(".")]
    assert left == [], done
    assert (tmp_path / "gig" / "bass.wav").exists() or done.stdout in ("InputError\n", "OutputError\n", "OSError\n"), (
        done
    )


def sparse(path: Path, header: bytes, size: int) -> Path:
    path.write_bytes(header)
    os.truncate(path, size)
    return path


def claims_100_gb(form: str) -> bytes:
    """The header of a 6-channel, 24-bit file of 100 GB of sound (EBU Tech 3306, Sony Wave64, Apple CAF)."""
    sound, fmt = 100 * 10**9 // 18 * 18, struct.pack("<HHIIHH", 1, 6, 48_000, 48_000 * 18, 18, 24)
    if form == "RF64":
        ds64 = b"ds64" + struct.pack("<IQQQI", 28, sound + 72, sound, sound // 18, 0)
        wave = b"RF64\xff\xff\xff\xffWAVE" + ds64 + b"fmt " + struct.pack("<I", 16) + fmt
        return wave + b"data\xff\xff\xff\xff"
    if form == "W64":
        tail = bytes.fromhex("f3acd3118cd100c04f8edb8a")
        riff = bytes.fromhex("726966662e91cf11a5d628db04c10000")
        fmt64 = b"fmt " + tail + struct.pack("<Q", 40) + fmt
        data = b"data" + tail + struct.pack("<Q", sound + 24)
        return riff + struct.pack("<Q", sound + 104) + b"wave" + tail + fmt64 + data
    desc = b"desc" + struct.pack(">qd4sIIIII", 32, 48_000.0, b"lpcm", 0, 18, 1, 6, 24)
    return b"caff\0\1\0\0" + desc + b"data" + struct.pack(">qI", sound + 4, 0)


@pytest.mark.parametrize("form", ["RF64", "W64", "CAF"])
def test_a_header_that_claims_100_gb_which_are_not_there_is_refused_at_once(tmp_path: Path, form: str) -> None:
    path = sparse(tmp_path / "take", claims_100_gb(form), 1_000_000)
    assert "cut short" in refusal(path)


@pytest.mark.parametrize("form", ["RF64", "W64", "CAF"])
def test_a_take_of_100_gb_for_which_there_is_no_room_is_refused_before_the_work(
    run: Run, tmp_path: Path, form: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    try:
        path = sparse(tmp_path / "take.wav", claims_100_gb(form), 100_000_001_000)
    except OSError:
        pytest.skip("this file system holds no file so large")
    monkeypatch.setattr(shutil, "disk_usage", lambda _: shutil._ntuple_diskusage(10**10, 0, 10**9))
    monkeypatch.setattr(takes, "_READ_FRAMES", 0)  # nothing is read
    code, out, err = run("render", path, "--out", tmp_path / "out")
    assert (code, out) == (2, "")
    assert "1000 MB are free" in err
    assert "needs 33334 MB" in err  # two files of one channel, 3 bytes per frame
    assert list((tmp_path / "out").iterdir()) == []


def test_100_mb_of_metadata_take_no_memory(tmp_path: Path) -> None:
    soundfile.write(tmp_path / "take.wav", np.full((100, 6), 0.5), 48_000, "PCM_16")
    raw = (tmp_path / "take.wav").read_bytes()
    raw = raw[:36] + b"id3 " + struct.pack("<I", 100_000_000) + bytes(100_000_000) + raw[36:]
    (tmp_path / "take.wav").write_bytes(raw[:4] + struct.pack("<I", len(raw) - 8) + raw[8:])
    del raw
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    assert len(content(tmp_path / "take.wav", 6)) == 100
    assert resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before < 300_000  # kB


def test_64_channels_and_odd_rates(tmp_path: Path) -> None:
    assert "64 channels" in refusal(write(tmp_path / "many.wav", np.zeros((10, 64))))
    assert content(write(tmp_path / "odd.wav", np.zeros((10, 6)), rate=44_117), 6).shape == (10, 6)
    for rate in (8_000, 384_000):
        assert f"{rate} Hz" in refusal(write(tmp_path / "t.wav", np.zeros((10, 6)), rate=rate))


@pytest.mark.parametrize("kind", ["pipe", "folder", "socket", "null", "zero"])
@pytest.mark.parametrize("inside", [False, True])
def test_what_is_no_file_is_refused_and_not_waited_for(tmp_path: Path, kind: str, inside: bool) -> None:
    place = tmp_path / "take" if inside else tmp_path
    place.mkdir(exist_ok=True)
    path = place / "1.wav"
    if kind == "pipe":
        os.mkfifo(path)
    elif kind == "folder":
        path.mkdir()
    elif kind == "socket":
        with socket.socket(socket.AF_UNIX) as bound:
            bound.bind(str(path))
    else:
        path.symlink_to(f"/dev/{kind}")
    message = refusal(place if inside else path, 1)
    assert "neither a file nor a folder" in message or "no sound file" in message


def test_a_result_folder_that_is_a_link_to_another_disk_is_refused_before_the_work(tmp_path: Path) -> None:
    other = Path("/dev/shm") / f"thumbline-test-{os.getpid()}"
    other.mkdir()
    try:
        if other.stat().st_dev == tmp_path.stat().st_dev:
            pytest.skip("no second file system")
        (tmp_path / "gig").symlink_to(other)
        with pytest.raises(InputError, match="on another disk"), OutputFolder(tmp_path, "gig"):
            pytest.fail("the work began")
        assert [path.name for path in tmp_path.iterdir()] == ["gig"]
    finally:
        other.rmdir()


def test_a_link_of_the_players_to_a_folder_on_the_same_disk_is_written_through(tmp_path: Path) -> None:
    (tmp_path / "real").mkdir()
    (tmp_path / "gig").symlink_to(tmp_path / "real")
    with OutputFolder(tmp_path, "gig") as folder:
        (folder.path / "bass.wav").write_text("new")
    assert (tmp_path / "real" / "bass.wav").read_text() == "new"
    assert (tmp_path / "gig").is_symlink()


# --- single files ---


@pytest.mark.parametrize("length", [243, 244, 250, 255])
def test_a_name_as_long_as_the_system_takes_is_written(tmp_path: Path, length: int) -> None:
    path = tmp_path / ("x" * (length - 5) + ".toml")
    for text in (b"old", b"new"):
        write_whole(path, text)
    assert path.read_bytes() == b"new"
    assert [each.name for each in tmp_path.iterdir()] == [path.name]


@pytest.mark.skipif(os.geteuid() != 0, reason="only root may give files away")
def test_root_leaves_a_file_to_its_owner(tmp_path: Path) -> None:
    path = tmp_path / "rig.toml"
    path.write_text("old")
    path.chmod(0o640)
    os.chown(path, 65534, 65534)
    write_whole(path, b"new")
    assert (path.stat().st_uid, path.stat().st_gid, path.stat().st_mode & 0o777) == (65534, 65534, 0o640)


def test_the_users_umask_is_never_touched(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    before = os.umask(0o027)
    try:
        with monkeypatch.context() as guarded:
            guarded.setattr(os, "umask", lambda _: pytest.fail("the umask of all threads was changed"))
            write_whole(tmp_path / "rig.toml", b"new")
    finally:
        os.umask(before)
    assert (tmp_path / "rig.toml").stat().st_mode & 0o777 == 0o640


def test_other_names_of_a_file_keep_the_old_content(tmp_path: Path) -> None:
    (tmp_path / "rig.toml").write_text("old")
    (tmp_path / "other.toml").hardlink_to(tmp_path / "rig.toml")
    write_whole(tmp_path / "rig.toml", b"new")
    assert (tmp_path / "other.toml").read_text() == "old"


@pytest.mark.parametrize(
    "arguments",
    [
        ("render", "{take}", "--out", ""),
        ("render", "", "--out", "{out}"),
        ("render", "{take}", "--out="),
        ("practice", "{take}", "--out", ""),
        ("calibrate", "{take}", "--out", ""),
        ("score", "", "{take}"),
    ],
)
def test_an_empty_argument_is_not_the_working_folder(
    run: Run, tmp_path: Path, take: Path, arguments: tuple[str, ...], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    code, out, err = run(*(each.format(take=take, out=tmp_path / "out") for each in arguments))
    assert (code, out) == (2, "")
    assert "empty" in err
    assert list(tmp_path.iterdir()) == []
