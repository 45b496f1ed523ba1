"""Little memory, no further processes or threads, a small disk, no temporary folder, no working folder, eight at once.

A command ends well or says in one line why not, and leaves whole results or none.
"""

import json
import os
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import soundfile

from tests.material.short_take import RATE
from thumbline.dsp.files.made_files import SUMMARY, is_as_made, made_in
from thumbline.dsp.results.render import RENDERED_FILES

Run = Callable[..., tuple[int, str, str]]
pytestmark = pytest.mark.skipif(sys.platform != "linux", reason="limits are Linux'")

#: Runs a command under a limit that begins when all is loaded and compiled. Root is nobody then: limits on processes do
#: not bind root.
LIMITED = """
import importlib.metadata, os, resource, sys
import multiprocessing.connection, multiprocessing.popen_spawn_posix, multiprocessing.resource_tracker
import multiprocessing.sharedctypes, multiprocessing.synchronize
import matplotlib.pyplot, rich.live, rich.progress
import thumbline.cli.commands.render, thumbline.cli.side_by_side.workers, thumbline.dsp.results.render
from thumbline.cli.main import main
from thumbline.dsp.machine_code import kernel_cache
from thumbline.dsp.processor.processor import warm_up

warm_up()
importlib.metadata.version("thumbline")  # loads parsers
kernel_cache.are_compiled = lambda: True
kind, amount = sys.argv[1], int(sys.argv[2])
if kind == "memory":
    pages = int(open("/proc/self/statm").read().split()[0])
    limit = pages * resource.getpagesize() + amount
    resource.setrlimit(resource.RLIMIT_AS, (limit, limit))
else:
    resource.setrlimit(resource.RLIMIT_NPROC, (amount, amount))
    if os.geteuid() == 0:
        os.setresuid(65534, 65534, 65534)
main(sys.argv[3:])
"""


def limited(kind: str, amount: int, *arguments: str | Path) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-c", LIMITED, kind, str(amount), *map(str, arguments)]
    return subprocess.run(command, capture_output=True, text=True, check=False)


@pytest.fixture(scope="module")
def second(tmp_path_factory: pytest.TempPathFactory, frames: np.ndarray) -> Path:
    """The path of the first second of the short take."""
    path = tmp_path_factory.mktemp("second") / "pier.wav"
    soundfile.write(path, frames[:RATE], RATE, "PCM_24")
    return path


def assert_whole(folder: Path) -> None:
    """All that a render writes is there, as its summary says, and nothing else."""
    made = made_in(folder)
    assert {path.name for path in folder.iterdir()} == set(RENDERED_FILES)
    assert all(is_as_made(folder / name, made[name]) for name in RENDERED_FILES if name != SUMMARY)


@pytest.mark.parametrize(("room", "is_enough"), [(10**9, True), (10**6, False)])
def test_a_render_under_a_limit_on_memory_is_whole_or_nothing(
    tmp_path: Path, second: Path, room: int, is_enough: bool
) -> None:
    done = limited("memory", room, "render", second, "--out", tmp_path)
    if is_enough:
        assert done.returncode == 0, done.stderr
        assert_whole(tmp_path / "pier")
    else:
        assert (done.returncode, done.stderr) == (1, "thumbline: cannot go on: not enough memory\n")
        assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("jobs", ["1", "2"])
def test_where_no_process_and_no_thread_can_be_started_the_command_says_so_and_leaves_nothing(
    second: Path, jobs: str
) -> None:
    place = Path(tempfile.mkdtemp())  # pytest's own folders are closed to nobody
    try:
        place.chmod(0o777)
        for name in ("pier", "quay"):
            shutil.copy(second, place / f"{name}.wav")
        (place / "out").mkdir()
        (place / "out").chmod(0o777)
        done = limited(
            *("processes", 0, "render", place / "pier.wav", place / "quay.wav"),
            *("--out", place / "out", "--jobs", jobs),
        )
        assert done.returncode == 1, done.stderr
        assert len(done.stderr.splitlines()) == 1, done.stderr
        assert done.stderr.startswith("thumbline: cannot go on:")
        assert list((place / "out").iterdir()) == []
    finally:
        shutil.rmtree(place)


#: Runs a command in a name space of its own, in which a small disk is mounted on the folder of the first argument.
ON_A_SMALL_DISK = 'mount -t tmpfs -o "$2" none "$1" || exit 77; shift 2; "$@"; code=$?; ls -A "$0"; exit $code'


@pytest.mark.parametrize(("limit", "is_enough"), [("nr_inodes=40", True), ("nr_inodes=8", False), ("size=100k", False)])
def test_a_disk_with_few_inodes_or_little_room_holds_a_whole_result_or_none(
    tmp_path: Path, second: Path, limit: str, is_enough: bool
) -> None:
    if not shutil.which("unshare"):
        pytest.skip("no name spaces")
    disk = tmp_path / "disk"
    disk.mkdir()
    render = (sys.executable, "-m", "thumbline.cli", "render", str(second), "--out", str(disk))
    done = subprocess.run(
        ["unshare", "-m", "sh", "-c", ON_A_SMALL_DISK, str(disk), str(disk), limit, *render],
        capture_output=True,
        text=True,
        check=False,
    )
    if done.returncode in (1, 77) and ("unshare" in done.stderr or "mount" in done.stderr):
        pytest.skip("disks may not be mounted")
    *_, listed = ["", *done.stdout.splitlines()]
    assert done.returncode == (0 if is_enough else 2), done.stderr
    assert listed == ("pier" if is_enough else "")
    assert is_enough or "No space left" in done.stderr or "are free" in done.stderr


def test_eight_renders_at_once_into_one_folder_leave_one_whole_result(tmp_path: Path, second: Path) -> None:
    command = [sys.executable, "-m", "thumbline.cli", "render", str(second), "--out", str(tmp_path)]
    started = [subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE) for _ in range(8)]
    told = [each.communicate()[1] for each in started]
    assert [each.returncode for each in started] == [0] * 8, told
    assert [path.name for path in tmp_path.iterdir()] == ["pier"]
    assert_whole(tmp_path / "pier")
    assert json.loads((tmp_path / "pier" / SUMMARY).read_text())["take"] == "pier"


def test_a_working_folder_that_is_deleted_is_named(tmp_path: Path, second: Path) -> None:
    gone = tmp_path / "gone"
    gone.mkdir()
    script = 'rmdir "$1" && exec "$2" -m thumbline.cli render "$3" --out out'
    command = ["sh", "-c", script, "sh", str(gone), sys.executable, str(second)]
    done = subprocess.run(command, cwd=gone, capture_output=True, text=True, check=False)
    assert (done.returncode, done.stdout) == (2, "")
    assert done.stderr.splitlines()[-1].startswith("thumbline: the working folder has been removed")
    assert list(tmp_path.iterdir()) == []


def test_without_any_temporary_folder_all_commands_on_takes_work(
    run: Run, tmp_path: Path, second: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(tempfile, "_candidate_tempdir_list", list)
    monkeypatch.setattr(tempfile, "tempdir", None)
    with pytest.raises(FileNotFoundError, match="No usable temporary"):
        tempfile.gettempdir()
    assert os.environ.get("THUMBLINE_TRACEBACK") is None
    for arguments in (
        ("render", second, "--out", tmp_path),
        ("calibrate", second, "--out", tmp_path / "rig.toml"),
        ("practice", tmp_path / "pier", "--out", tmp_path / "sets", "--speeds", "100", "--bpm", "100"),
        ("score", tmp_path / "pier", tmp_path / "pier" / "notes.csv", "--picture", tmp_path / "score.png"),
    ):
        code, _, err = run(*arguments)
        assert code == 0, err
    assert_whole(tmp_path / "pier")
