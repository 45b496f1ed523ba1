"""Processes that watch one another, with and without the handles that only Linux has."""

import os
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from thumbline.cli.console.child import Child
from thumbline.cli.console.child_processes import PREFIX, Backstage, _leftovers
from thumbline.cli.shared.processes import ProcessHandle, ProcessLock, raise_priority, state_of

posix = pytest.mark.skipif(os.name != "posix", reason="a process is asked for by its number on POSIX systems")


@pytest.fixture
def sleeper() -> Iterator["subprocess.Popen[bytes]"]:
    with subprocess.Popen([sys.executable, "-c", "import time; time.sleep(60)"]) as process:
        yield process
        process.kill()


def no_handle(pid: int) -> int:
    raise OSError(24, "Too many open files")


@posix
@pytest.mark.parametrize("handles", ["handles", "no handle left", "a system without"])
def test_a_process_is_known_to_have_ended(
    sleeper: "subprocess.Popen[bytes]", monkeypatch: pytest.MonkeyPatch, handles: str
) -> None:
    if handles == "no handle left":
        monkeypatch.setattr(os, "pidfd_open", no_handle, raising=False)
    elif handles == "a system without":
        monkeypatch.delattr(os, "pidfd_open", raising=False)
    watched = ProcessHandle(sleeper.pid)
    assert not watched.ended
    sleeper.kill()
    sleeper.wait()  # collected: without a handle its number must be gone
    assert watched.ended
    assert watched.ended, "it stays so"
    watched.close()
    assert ProcessHandle(sleeper.pid).ended


@posix
def test_a_process_of_another_user_has_not_ended(monkeypatch: pytest.MonkeyPatch) -> None:
    def forbidden(pid: int, number: int) -> None:
        raise PermissionError(1, "Operation not permitted")

    monkeypatch.delattr(os, "pidfd_open", raising=False)
    monkeypatch.setattr(os, "kill", forbidden)
    assert not ProcessHandle(1).ended


def test_number_0_was_never_there() -> None:
    assert not ProcessHandle(0).ended
    assert state_of(0) == ""


def test_one_has_the_charge_until_it_gives_it_back(tmp_path: Path) -> None:
    first, second = (ProcessLock.of(tmp_path / "memory", "charge") for _ in range(2))
    second.give_back()  # what nobody has
    assert first.take()
    assert first.take()
    assert not second.take()
    first.give_back()
    assert second.take()
    second.give_back()


def test_without_real_time_scheduling_all_goes_on(monkeypatch: pytest.MonkeyPatch) -> None:
    def refused(*_: object) -> None:
        raise PermissionError(1, "Operation not permitted")

    monkeypatch.setattr(os, "sched_setscheduler", refused, raising=False)
    raise_priority(50, children=True)
    monkeypatch.delattr(os, "sched_setscheduler")
    raise_priority(50, children=False)


@pytest.mark.skipif(sys.platform != "linux" or os.getuid() != 0, reason="only root may surely do so, on Linux")
def test_every_thread_gets_real_time_scheduling_that_has_none() -> None:
    program = (
        "import os, threading, time\n"
        "from pathlib import Path\n"
        "from thumbline.cli.shared.processes import raise_priority, raise_priority_of_all\n"
        "raise_priority(7, children=False)\n"
        "threading.Thread(target=time.sleep, args=(9.0,), daemon=True).start()\n"
        "raise_priority_of_all(3)\n"
        "threads = [int(path.name) for path in Path('/proc/self/task').iterdir()]\n"
        "print(*sorted(os.sched_getparam(thread).sched_priority for thread in threads))\n"
    )
    environment = os.environ | {"OPENBLAS_NUM_THREADS": "1"}
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, env=environment, check=True)
    assert done.stdout == "3 7\n"


@pytest.mark.parametrize(
    ("raised", "code", "last"),
    [("InputError('too loud')", 2, "too loud"), ("KeyError('x')", 1, "KeyError: 'x'"), ("SystemExit(0)", 1, None)],
)
def test_a_process_leaves_with_its_code_whatever_happened(raised: str, code: int, last: str | None) -> None:
    program = (
        "from thumbline.cli.shared.processes import run_and_exit\n"
        "from thumbline.dsp.errors import InputError\n"
        f"def work(memory):\n    raise {raised}\n"
        "run_and_exit(work)\n"
    )
    done = subprocess.run([sys.executable, "-c", program, "memory"], capture_output=True, text=True, check=False)
    assert done.returncode == code
    if last is not None:
        assert done.stderr.splitlines()[-1] == last


def test_a_childs_last_line_is_its_last_words(tmp_path: Path) -> None:
    child = Child("thumbline.cli.engine", tmp_path / "memory")
    assert (child.code, child.pid, child.last_words()) == (None, 0, "")
    child.kill()  # was never started
    (tmp_path / "engine.log").write_text("one\ntwo \n\n")
    assert child.last_words() == "two"
    (tmp_path / "engine.log").write_text("\n")
    assert child.last_words() == ""


@posix
def test_folders_of_consoles_that_were_killed_are_left_over_and_no_others(
    sleeper: "subprocess.Popen[bytes]", tmp_path: Path
) -> None:
    sleeper.kill()
    sleeper.wait()
    for name in (f"{sleeper.pid}-abc", f"{os.getpid()}-abc", "x-abc"):
        (tmp_path / f"{PREFIX}{name}").mkdir()
    assert [folder.name for folder in _leftovers(tmp_path)] == [f"{PREFIX}{sleeper.pid}-abc"]


def test_nothing_is_left_of_what_is_behind_the_scenes() -> None:
    with Backstage() as backstage:
        folder = backstage.memory.parent
        assert folder.stat().st_mode & 0o077 == 0
    assert not folder.exists()
