"""A result appears whole or not at all: its folder, whatever interrupts or fails."""

import errno
import gc
import os
import shutil
from collections.abc import Callable
from pathlib import Path
from types import ModuleType

import pytest

import thumbline.dsp.files.outputs as outputs
import thumbline.dsp.files.publication as publication
import thumbline.dsp.files.staging as staging
from tests.helpers.folders import earlier_result, tree
from tests.helpers.interrupts import interrupted_at
from thumbline.dsp.errors import InputError
from thumbline.dsp.files.outputs import OutputFolder


def write_result(parent: Path) -> None:
    with OutputFolder(parent, "take", record_of=lambda _: MADE) as folder:
        (folder.path / "bass.txt").write_text("new bass")
        (folder.path / "guitar.txt").write_text("new guitar")


#: What a test's earlier result says the program made.
MADE = {"bass.txt": (None,), "guitar.txt": (None,)}


def write_then_raise(parent: Path, files: int, error: type[BaseException]) -> None:
    with OutputFolder(parent, "take") as folder:
        for index in range(files):
            (folder.path / f"{index}.txt").write_text("half")
        raise error


def fail_with(number: int, filename: str | None = None) -> Callable[..., None]:
    def fail(*_args: object, **_kwargs: object) -> None:
        raise OSError(number, os.strerror(number), filename)

    return fail


# --- the folder of a result ---


def test_a_result_appears_under_its_name_and_leaves_nothing_else(tmp_path: Path) -> None:
    write_result(tmp_path / "set" / "one")
    assert tree(tmp_path / "set" / "one") == {
        "take/": "",
        "take/bass.txt": "new bass",
        "take/guitar.txt": "new guitar",
    }


def test_nothing_is_to_be_seen_of_a_result_before_it_is_complete(tmp_path: Path) -> None:
    before = earlier_result(tmp_path)
    with OutputFolder(tmp_path, "take", record_of=lambda _: MADE) as folder:
        (folder.path / "bass.txt").write_text("half")
        (hidden,) = (each.name for each in tmp_path.iterdir() if each.name.startswith("."))
        assert folder.path.samefile(tmp_path / hidden)
        assert {name: text for name, text in tree(tmp_path).items() if not name.startswith(hidden)} == before


def test_a_new_result_replaces_its_own_files_and_leaves_those_of_others(tmp_path: Path) -> None:
    earlier_result(tmp_path)
    write_result(tmp_path)
    assert tree(tmp_path / "take") == {
        "bass.txt": "new bass",
        "guitar.txt": "new guitar",
        "setlist.txt": "the guitarist's own",
    }


def test_where_there_are_no_hard_links_a_result_is_replaced_all_the_same(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    earlier_result(tmp_path)
    monkeypatch.setattr(os, "link", fail_with(errno.EPERM))
    write_result(tmp_path)
    assert tree(tmp_path / "take")["bass.txt"] == "new bass"


def test_two_results_can_be_made_at_once_in_one_place(tmp_path: Path) -> None:
    with OutputFolder(tmp_path, "one") as one, OutputFolder(tmp_path, "two") as two:
        (one.path / "bass.txt").write_text("1")
        (two.path / "bass.txt").write_text("2")
    assert tree(tmp_path) == {"one/": "", "one/bass.txt": "1", "two/": "", "two/bass.txt": "2"}


@pytest.mark.parametrize(
    "error", [RuntimeError, KeyboardInterrupt, SystemExit, MemoryError, InputError, BrokenPipeError]
)
@pytest.mark.parametrize("files", [0, 1, 2])
def test_any_exception_leaves_everything_as_it_was_and_passes_through(
    tmp_path: Path, error: type[BaseException], files: int
) -> None:
    before = earlier_result(tmp_path)
    with pytest.raises(error):
        write_then_raise(tmp_path, files, error)
    assert tree(tmp_path) == before


# Between opening a file and taking charge of it even Python's own with statement cannot close it.
@pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning", "ignore::ResourceWarning")
@pytest.mark.parametrize("module", [outputs, staging, publication])
@pytest.mark.parametrize("earlier", [False, True])
def test_an_interrupt_at_any_line_leaves_the_old_result_or_the_new_one_whole(
    tmp_path: Path, earlier: bool, module: ModuleType
) -> None:
    """Interrupts the n-th line that runs in the module, for every n, until a run has no n-th line."""
    lines = str(module.__file__)
    old_texts = {"bass.txt": "old bass", "setlist.txt": "the guitarist's own"} if earlier else {}
    new_texts = old_texts | {"bass.txt": "new bass", "guitar.txt": "new guitar"}
    seen: list[dict[str, str]] = []
    interrupted = True
    while interrupted:
        number = len(seen) + 1
        parent = tmp_path / str(number)
        parent.mkdir()
        if earlier:
            earlier_result(parent)
        interrupted = interrupted_at(number, lines, lambda parent=parent: write_result(parent))
        if any(path.name.startswith(".") for path in parent.iterdir()):
            gc.collect()  # the last resort: the folder goes with the object
        left = tree(parent)
        assert not [name for name in left if name.startswith(".")], f"line {number}"
        texts = {name.removeprefix("take/"): text for name, text in left.items() if not name.endswith("/")}
        assert texts in (old_texts, new_texts), f"line {number}"
        seen.append(texts)
    assert seen[-1] == new_texts
    assert len(seen) > 30, "the lines were not really interrupted"
    assert old_texts in seen


@pytest.mark.parametrize("moves", [0, 1, 2])
@pytest.mark.parametrize("error", [KeyboardInterrupt(), OSError(errno.ENOSPC, "No space left on device")])
@pytest.mark.parametrize("earlier", [False, True])
def test_a_move_that_fails_takes_back_the_moves_before_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, moves: int, error: BaseException, earlier: bool
) -> None:
    before = earlier_result(tmp_path) if earlier else {}
    replace = os.replace
    done = []

    def replace_or_fail(source: str, target: str, **folders: int) -> None:
        if len(done) == moves:
            monkeypatch.setattr(os, "replace", replace)
            raise error
        done.append(target)
        replace(source, target, **folders)

    monkeypatch.setattr(os, "replace", replace_or_fail)
    if moves == 2:
        write_result(tmp_path)
        assert tree(tmp_path / "take")["bass.txt"] == "new bass"
        return
    with pytest.raises((KeyboardInterrupt, InputError)):
        write_result(tmp_path)
    assert tree(tmp_path) == before


@pytest.mark.parametrize("name", ["", ".", "..", "a/b", "/", "/a", "a/", "../a"])
def test_a_name_that_leads_elsewhere_is_refused(tmp_path: Path, name: str) -> None:
    with pytest.raises(InputError, match="cannot name a folder"):
        OutputFolder(tmp_path, name)


def test_a_file_where_the_result_would_go_is_refused_and_kept(tmp_path: Path) -> None:
    (tmp_path / "take").write_text("mine")
    with pytest.raises(InputError, match="take: it is a file"):
        write_result(tmp_path)
    assert tree(tmp_path) == {"take": "mine"}


def test_a_parent_that_is_a_file_is_refused_and_kept(tmp_path: Path) -> None:
    (tmp_path / "out").write_text("mine")
    for parent in (tmp_path / "out", tmp_path / "out" / "deeper"):
        with pytest.raises(InputError, match=r"cannot write into the folder .*: (not a directory|file exists)"):
            write_result(parent)
    assert tree(tmp_path) == {"out": "mine"}


def test_a_folder_where_a_file_would_go_is_refused_and_the_old_result_kept(tmp_path: Path) -> None:
    earlier_result(tmp_path)
    (tmp_path / "take" / "guitar.txt").mkdir()
    before = tree(tmp_path)
    with pytest.raises(InputError, match=r"guitar\.txt: it is a folder"):
        write_result(tmp_path)
    assert tree(tmp_path) == before


@pytest.mark.parametrize(("number", "words"), [(errno.EACCES, "permission denied"), (errno.EROFS, "read-only")])
def test_a_folder_that_cannot_be_made_is_refused_in_plain_words(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, number: int, words: str
) -> None:
    monkeypatch.setattr(os, "mkdir", fail_with(number))
    with pytest.raises(InputError, match=f"cannot write into the folder .*take: {words}"):
        write_result(tmp_path)


@pytest.mark.parametrize("call", ["fsync", "rename"])
def test_a_full_disk_at_the_end_is_told_and_the_old_result_kept(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, call: str
) -> None:
    before = earlier_result(tmp_path)
    if call == "fsync":
        monkeypatch.setattr(os, "fsync", fail_with(errno.ENOSPC))
    else:
        monkeypatch.setattr(os, "link", fail_with(errno.EPERM))
        monkeypatch.setattr(shutil, "copy2", fail_with(errno.ENOSPC))
    with pytest.raises(InputError, match="take: no space left on device"):
        write_result(tmp_path)
    assert tree(tmp_path) == before


def test_a_full_disk_inside_is_told_in_plain_words(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="no space left on device"), OutputFolder(tmp_path, "take"):
        fail_with(errno.ENOSPC)()
    assert tree(tmp_path) == {}


def test_a_failure_in_a_file_of_the_result_is_told_in_plain_words(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="permission denied"), OutputFolder(tmp_path, "take") as folder:
        fail_with(errno.EACCES, str(folder.path / "bass.mid"))()


def test_a_failure_that_is_not_of_the_result_passes_through(tmp_path: Path) -> None:
    with pytest.raises(FileNotFoundError), OutputFolder(tmp_path, "take"):
        (tmp_path / "elsewhere").read_text()
