"""What a killed run leaves beside its result is gone after the next one; what a living run works in stays."""

import os
import signal
import subprocess
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

import thumbline.dsp.files.staging as staging
from tests.helpers.folders import tree
from thumbline.dsp.files.outputs import OutputFolder
from thumbline.dsp.files.staging import BEFORE, MARK, hidden_path, remove_leftovers

#: Takes the place of a run: a file in its hidden folder, a word, and then it works on.
RUN = """
import sys, time
from pathlib import Path
from thumbline.dsp.files.outputs import OutputFolder

with OutputFolder(Path(sys.argv[1]), "ebb") as folder:
    (folder.path / "bass.txt").write_text("half")
    print("at work", flush=True)
    time.sleep(600)
"""
#: What these results are made of.
MADE = {"bass.txt": (None,), "guitar.txt": (None,)}
#: Dies as it moves the second of two files to their places.
DIES_BETWEEN_MOVES = """
import os, signal, sys
from pathlib import Path
from thumbline.dsp.files.outputs import OutputFolder

replace, moved = os.replace, []
made = {"bass.txt": (None,), "guitar.txt": (None,)}

def replace_once(source, target, **folders):
    if moved:
        os.kill(os.getpid(), signal.SIGKILL)
    moved.append(target)
    return replace(source, target, **folders)

os.replace = replace_once
with OutputFolder(Path(sys.argv[1]), "ebb", record_of=lambda _: made) as folder:
    (folder.path / "bass.txt").write_text("new bass")
    (folder.path / "guitar.txt").write_text("new guitar")
"""

needs_kill = pytest.mark.skipif(sys.platform == "win32", reason="no SIGKILL")


@contextmanager
def at_work(parent: Path) -> Iterator["subprocess.Popen[str]"]:
    """A process that works in a hidden folder of ``parent``; it is killed at the end, if it has not been before."""
    with subprocess.Popen([sys.executable, "-c", RUN, str(parent)], stdout=subprocess.PIPE, text=True) as process:
        assert process.stdout is not None
        try:
            assert process.stdout.readline() == "at work\n"
            yield process
        finally:
            process.kill()


def left_by_a_killed_process(parent: Path) -> Path:
    with at_work(parent) as process:
        os.kill(process.pid, signal.SIGKILL)
        assert process.wait() == -signal.SIGKILL
    (left,) = parent.glob(".thumbline-*")
    return left


def write_result(parent: Path, name: str = "flow") -> None:
    with OutputFolder(parent, name, record_of=lambda _: MADE) as folder:
        (folder.path / "bass.txt").write_text("whole")


@needs_kill
def test_what_a_killed_process_left_is_gone_after_the_next_run(tmp_path: Path) -> None:
    left = left_by_a_killed_process(tmp_path)
    assert {path.name for path in left.iterdir()} == {MARK, "bass.txt"}
    write_result(tmp_path)
    assert tree(tmp_path) == {"flow/": "", "flow/bass.txt": "whole"}


def test_what_a_living_process_works_in_stays(tmp_path: Path) -> None:
    with at_work(tmp_path):
        (folder,) = tmp_path.iterdir()
        before = tree(folder)
        write_result(tmp_path)
        assert tree(folder) == before
        assert before["bass.txt"] == "half"


@needs_kill
def test_what_a_stopped_process_will_go_on_with_stays(tmp_path: Path) -> None:
    with at_work(tmp_path) as process:
        process.send_signal(signal.SIGSTOP)
        (folder,) = tmp_path.iterdir()
        write_result(tmp_path)
        assert (folder / "bass.txt").read_text() == "half"


def test_what_another_thread_or_this_one_works_in_stays(tmp_path: Path) -> None:
    with OutputFolder(tmp_path, "ebb") as folder:
        (folder.path / "bass.txt").write_text("half")
        write_result(tmp_path)
        other = threading.Thread(target=write_result, args=(tmp_path, "slack"))
        other.start()
        other.join()
        assert (folder.path / "bass.txt").read_text() == "half"
    assert {path.name for path in tmp_path.iterdir()} == {"ebb", "flow", "slack"}


@needs_kill
@pytest.mark.parametrize("machine", ["another machine", ""])
def test_what_another_machine_left_or_nobody_says_who_stays(tmp_path: Path, machine: str) -> None:
    left = left_by_a_killed_process(tmp_path)
    (left / MARK).write_text(machine)
    write_result(tmp_path)
    assert (left / "bass.txt").read_text() == "half"


@needs_kill
def test_a_machine_without_a_name_removes_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    left = left_by_a_killed_process(tmp_path)
    (left / MARK).write_text("")
    monkeypatch.setattr(staging, "_BOOT", tmp_path / "none")
    monkeypatch.setattr(staging.uuid, "getnode", lambda: 0x01_00_00_00_00_00)  # drawn by lot
    write_result(tmp_path)
    assert (left / "bass.txt").read_text() == "half"


def test_without_a_count_of_starts_the_address_of_the_network_names_the_machine(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(staging, "_BOOT", tmp_path / "none")
    monkeypatch.setattr(staging.uuid, "getnode", lambda: 0x02_00_00_00_00_AB)
    with OutputFolder(tmp_path, "ebb") as folder:
        assert (folder.path / MARK).read_text() == "0200000000ab"


def test_folders_that_carry_no_mark_stay_unless_they_are_empty(tmp_path: Path) -> None:
    empty, full, mine = hidden_path(tmp_path), hidden_path(tmp_path), tmp_path / ".thumbline-mine"
    for folder in (empty, full, mine):
        folder.mkdir()
    (full / "bass.txt").write_text("half")
    (tmp_path / "elsewhere").mkdir()
    link = hidden_path(tmp_path)
    link.symlink_to(tmp_path / "elsewhere", target_is_directory=True)
    write_result(tmp_path)
    assert {path.name for path in tmp_path.iterdir()} == {full.name, mine.name, link.name, "elsewhere", "flow"}


@needs_kill
def test_a_link_in_what_is_left_is_removed_and_not_what_it_leads_to(tmp_path: Path) -> None:
    (tmp_path / "kept").mkdir()
    (tmp_path / "kept" / "mine.txt").write_text("mine")
    (tmp_path / "out").mkdir()
    left = left_by_a_killed_process(tmp_path / "out")
    (left / "link").symlink_to(tmp_path / "kept", target_is_directory=True)
    write_result(tmp_path / "out")
    assert tree(tmp_path / "out") == {"flow/": "", "flow/bass.txt": "whole"}
    assert tree(tmp_path / "kept") == {"mine.txt": "mine"}


@needs_kill
def test_a_process_killed_between_two_moves_leaves_the_only_copy_of_a_former_file_and_it_stays(tmp_path: Path) -> None:
    (tmp_path / "ebb").mkdir()
    for name in ("bass", "guitar"):
        (tmp_path / "ebb" / f"{name}.txt").write_text(f"old {name}")
    died = subprocess.run([sys.executable, "-c", DIES_BETWEEN_MOVES, str(tmp_path)], check=False)
    assert died.returncode == -signal.SIGKILL
    assert (tmp_path / "ebb" / "bass.txt").read_text() == "new bass"
    write_result(tmp_path)
    (left,) = tmp_path.glob(".thumbline-*")
    assert (left / BEFORE / "bass.txt").read_text() == "old bass"
    (left / "guitar.txt").replace(tmp_path / "ebb" / "guitar.txt")  # had it died after the last move
    write_result(tmp_path)
    assert list(tmp_path.glob(".thumbline-*")) == []


@needs_kill
def test_a_removal_that_was_cut_short_is_taken_up_again(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Interrupted at its every step."""
    unlink = os.unlink
    left = left_by_a_killed_process(tmp_path)
    (left / "guitar.txt").write_text("half")

    def unlink_and_die(path: str, **folder: int) -> None:
        unlink(path, **folder)
        raise KeyboardInterrupt

    for remaining in (1, 0):
        with monkeypatch.context() as dying:
            dying.setattr(os, "unlink", unlink_and_die)
            with pytest.raises(KeyboardInterrupt):
                remove_leftovers(tmp_path)
        assert (left / MARK).exists()
        assert len(list(left.glob("*.txt"))) == remaining
    remove_leftovers(tmp_path)
    assert not left.exists()


def test_without_locks_a_result_is_made_and_nothing_is_taken_for_a_dead_runs(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def no_locks(_: Any) -> None:
        raise OSError(37, "No locks available")

    with monkeypatch.context() as without:
        without.setattr(staging, "lock", no_locks)
        folder = OutputFolder(tmp_path, "ebb")
        folder.__enter__()
    write_result(tmp_path)
    assert (folder.path / MARK).read_text() == ""
    folder.__exit__(None, None, None)
    assert {path.name for path in tmp_path.iterdir()} == {"ebb", "flow"}


def test_a_start_whose_folder_another_start_removes_while_it_is_empty_makes_it_anew(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    mkdir, removed = os.mkdir, []

    def mkdir_and_be_swept(name: str, *arguments: Any, **keywords: Any) -> None:
        mkdir(name, *arguments, **keywords)
        if str(name).startswith(".thumbline-") and len(removed) < 3:
            remove_leftovers(tmp_path)
            removed.append(not (tmp_path / name).exists())

    monkeypatch.setattr(os, "mkdir", mkdir_and_be_swept)
    write_result(tmp_path)
    assert removed == [True] * 3
    assert tree(tmp_path) == {"flow/": "", "flow/bass.txt": "whole"}


def test_a_start_that_another_one_looks_at_before_it_has_its_lock_is_left_alone(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    lock, looked = staging.lock, []

    def looked_at_before(file: Any) -> None:
        if not looked:
            looked.append(True)
            remove_leftovers(tmp_path)
        lock(file)

    monkeypatch.setattr(staging, "lock", looked_at_before)
    write_result(tmp_path)
    assert looked
    assert tree(tmp_path) == {"flow/": "", "flow/bass.txt": "whole"}


@needs_kill
def test_many_starts_at_once_remove_what_is_left_and_nothing_of_each_other(tmp_path: Path) -> None:
    for _ in range(5):
        left_by_a_killed_process(tmp_path)
        start, failed = threading.Barrier(8), []

        def work(index: int, start: threading.Barrier = start, failed: list[BaseException] = failed) -> None:
            start.wait()
            try:
                for _ in range(20):
                    write_result(tmp_path, f"take {index}")
            except BaseException as error:
                failed.append(error)

        threads = [threading.Thread(target=work, args=(index,)) for index in range(8)]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
        assert failed == []
        assert tree(tmp_path) == {
            name: text
            for index in range(8)
            for name, text in ((f"take {index}/", ""), (f"take {index}/bass.txt", "whole"))
        }


def test_where_nothing_may_be_removed_the_run_goes_on(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    hidden_path(tmp_path).mkdir()

    def forbidden(*_: object, **__: object) -> None:
        raise PermissionError(1, "Operation not permitted")

    with monkeypatch.context() as forbidding:
        forbidding.setattr(os, "rmdir", forbidden)
        write_result(tmp_path)
    assert (tmp_path / "flow" / "bass.txt").read_text() == "whole"
