"""Takes worked on side by side: what is wrong with one, or kills its process, costs the others nothing."""

import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import click
import numpy as np
import pytest
import soundfile

from tests.helpers.places import DEMO
from thumbline.cli.console.child_processes import Child
from thumbline.cli.keeper.companion import Companion
from thumbline.cli.side_by_side.crew import Crew, Lost
from thumbline.cli.side_by_side.workers import for_each_take
from thumbline.dsp.errors import InputError, OutputError

Show = Callable[[float], None]

linux = pytest.mark.skipif(sys.platform != "linux", reason="asks Linux which processes there are")
posix = pytest.mark.skipif(os.name != "posix", reason="signals are POSIX's")
JOBS = pytest.mark.parametrize("jobs", [1, 2, 3])


class WillfulError(Exception):
    """It cannot be made again from what it tells of itself."""

    def __init__(self, one: int, two: int):
        super().__init__(f"{one} and {two}")


def work(take: Path, show: Show) -> str:
    """Do what the take's name says."""
    show(0.5)
    if take.name == "bad":
        raise InputError("no take")
    if take.name == "shot":
        os.kill(os.getpid(), signal.SIGKILL)
    if take.name == "left":
        os._exit(3)
    if take.name == "full":
        raise OutputError("the disk is full")
    if take.name == "fault":
        raise ValueError("a fault")
    if take.name == "willful":
        raise WillfulError(1, 2)
    if take.name == "lambda":
        return lambda: None  # type: ignore[return-value]  # it cannot be pickled
    return f"done {take.name} in {os.getpid()}"


def done(names: str, jobs: int) -> tuple[list[str], int]:
    """Names of the takes that were done, and the exit code."""
    results: list[str] = []
    try:
        results.extend(each.split()[1] for each in for_each_take(work, [Path(name) for name in names.split()], jobs))
    except click.exceptions.Exit as error:
        return results, error.exit_code
    return results, 0


@JOBS
def test_results_come_in_the_order_of_the_takes(jobs: int) -> None:
    assert done("a b c d e", jobs) == (["a", "b", "c", "d", "e"], 0)


@JOBS
def test_a_bad_take_is_told_in_its_turn(jobs: int, capsys: pytest.CaptureFixture[str]) -> None:
    assert done("a bad c", jobs) == (["a", "c"], 2)
    assert capsys.readouterr().err == "thumbline: bad: no take\n"


@posix
@pytest.mark.parametrize("jobs", [2, 3])
def test_a_process_that_is_killed_costs_its_take_and_no_other(jobs: int, capsys: pytest.CaptureFixture[str]) -> None:
    assert done("a shot b bad c left d", jobs) == (["a", "b", "c", "d"], 1)
    assert capsys.readouterr().err.splitlines() == [
        "thumbline: shot: the process that worked on it was killed (SIGKILL); fewer --jobs need less memory",
        "thumbline: bad: no take",
        "thumbline: left: the process that worked on it ended with exit code 3",
    ]


def test_signals_without_a_name_have_a_number() -> None:
    assert "signal 99" in Lost(-99).words


@JOBS
@pytest.mark.parametrize(("name", "error"), [("full", OutputError), ("fault", ValueError)])
def test_what_is_not_the_takes_own_fault_ends_all(jobs: int, name: str, error: type[Exception]) -> None:
    with pytest.raises(error) as raised:
        done(f"a {name} b c d e f g h", jobs)
    if jobs > 1:
        assert "in work" in "".join(raised.value.__notes__), "where it was raised is told"


@pytest.mark.parametrize("name", ["willful", "lambda"])
def test_what_cannot_be_handed_over_is_told_by_its_name(name: str) -> None:
    with pytest.raises(RuntimeError, match=r"WillfulError|TypeError|PicklingError|AttributeError"):
        done(f"a {name}", 2)


@posix
def test_processes_that_hang_are_ended_all_the_same(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("thumbline.cli.side_by_side.crew.PATIENCE_S", 0.5)
    crew = Crew(work, [Path("a"), Path("b")], 1)
    while not crew.outcomes(0.1):
        pass
    process = crew._workers[0].process
    os.kill(process.pid, signal.SIGSTOP)
    crew.stop()
    assert process.exitcode in (-signal.SIGTERM, -signal.SIGKILL)


def children(pid: int) -> list[int]:
    """Processes that a process has started and that are its workers."""
    listed = Path(f"/proc/{pid}/task/{pid}/children").read_text().split()
    return [int(child) for child in listed if b"spawn_main" in Path(f"/proc/{child}/cmdline").read_bytes()]


def still_there(pids: list[int]) -> list[int]:
    return [pid for pid in pids if Path(f"/proc/{pid}").exists() and not is_zombie(pid)]


def is_zombie(pid: int) -> bool:
    try:
        return Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()[0] == "Z"
    except OSError:
        return True


@linux
@pytest.mark.parametrize("number", [signal.SIGKILL, signal.SIGHUP])
def test_workers_end_with_the_process_that_started_them_and_leave_nothing(
    tmp_path: Path, number: signal.Signals
) -> None:
    """The demo, four times as long: one worker is in the midst of it, as is the other."""
    sound, rate = soundfile.read(DEMO)
    for name in "abc":
        soundfile.write(tmp_path / f"{name}.flac", np.tile(sound, (4, 1)), rate, "PCM_24")
    out = tmp_path / "out"
    takes = [tmp_path / f"{name}.flac" for name in "abc"]
    process = subprocess.Popen(
        [sys.executable, "-m", "thumbline.cli", "render", *takes, "--out", out, "--jobs", "2"],
        start_new_session=True,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    deadline = time.monotonic() + 150.0
    while len(list(out.glob(".thumbline-*/*.wav"))) == 0 and time.monotonic() < deadline:
        time.sleep(0.05)
    workers = children(process.pid)
    assert len(workers) == 2
    process.send_signal(number)
    process.wait()
    while still_there(workers) and time.monotonic() < deadline:
        time.sleep(0.05)
    assert still_there(workers) == []
    assert list(out.iterdir()) == []


# --- modules in the working folder ---

PLANTED = "from pathlib import Path\nPath({!r}).touch()\nraise ImportError('planted')\n"
NAMES = ("numba", "numpy", "socket", "thumbline", "threading", "random", "click", "json")


@pytest.fixture
def planted(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """The working folder has files named like modules; running one makes this file."""
    folder = tmp_path / "takes"
    folder.mkdir()
    for name in NAMES:
        (folder / f"{name}.py").write_text(PLANTED.format(str(tmp_path / "run")))
    monkeypatch.chdir(folder)
    return tmp_path / "run"


def test_workers_run_nothing_from_the_working_folder(planted: Path) -> None:
    assert done("a b c", 2) == (["a", "b", "c"], 0)
    assert not planted.exists()


@pytest.mark.parametrize("before", [None, ""])
def test_other_processes_find_modules_as_before(before: str | None, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("PYTHONSAFEPATH", raising=False)
    if before is not None:
        monkeypatch.setenv("PYTHONSAFEPATH", before)
    assert done("a b", 2) == (["a", "b"], 0)
    assert os.environ.get("PYTHONSAFEPATH") == before


def test_nor_does_the_keeper(planted: Path, tmp_path: Path) -> None:
    memory = tmp_path / "memory"
    memory.write_text("none")
    keeper = Child("thumbline.cli.keeper", memory)
    keeper.start()
    assert keeper.process is not None
    assert keeper.process.wait(60) == 2
    assert "a live record of" in keeper.last_words()
    assert not planted.exists()


@linux
def test_nor_does_the_engine(planted: Path, tmp_path: Path) -> None:
    """It loads the compiler before it looks for its memory, and waits for that."""
    engine = Child("thumbline.cli.engine", tmp_path / "memory")
    engine.start()
    try:
        deadline = time.monotonic() + 60.0
        while engine.code is None and time.monotonic() < deadline:
            if "libllvmlite" in Path(f"/proc/{engine.pid}/maps").read_text():
                break
            time.sleep(0.05)
        assert engine.code is None, engine.last_words()
        assert not planted.exists()
    finally:
        engine.kill()


def test_nor_do_those_that_the_keeper_starts(planted: Path, tmp_path: Path) -> None:
    memory = tmp_path / "memory"
    memory.write_text("none")
    feet = Companion("feet", "feet", memory)
    feet.see_to_it()
    assert feet._started is not None
    assert feet._started.wait(60) == 2
    assert not planted.exists()
