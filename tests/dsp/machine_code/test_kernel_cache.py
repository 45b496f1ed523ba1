"""Where compiled kernels are kept: in a folder for exactly these sources, that nobody else can put anything into."""

import logging
import os
import shutil
import stat
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from thumbline.dsp.machine_code import kernel_cache
from thumbline.dsp.machine_code.kernel_cache import cache_folder

needs_owners = pytest.mark.skipif(sys.platform == "win32", reason="files have no owners")
NOBODY = 65534


@pytest.fixture(autouse=True)
def cache_home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Path]:
    """The user's cache, and a place for temporary folders: `temporary` beside it."""
    monkeypatch.delenv("NUMBA_CACHE_DIR", raising=False)
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))
    monkeypatch.setenv("TMPDIR", str(tmp_path / "temporary"))
    (tmp_path / "temporary").mkdir()
    kernel_cache.folder_in_use.cache_clear()
    yield tmp_path / "cache"
    kernel_cache.folder_in_use.cache_clear()


def words(caplog: pytest.LogCaptureFixture) -> list[str]:
    """What was said, once each."""
    said = [record.getMessage() for record in caplog.records if record.levelno >= logging.WARNING]
    caplog.clear()
    return said


def is_private(folder: Path | None, tmp_path: Path) -> bool:
    """Whether this is a folder for this run."""
    assert folder is not None
    assert stat.S_IMODE(folder.parent.stat().st_mode) == 0o700
    return folder.parent.parent == tmp_path / "temporary"


def test_kernels_are_kept_in_the_users_cache(cache_home: Path, caplog: pytest.LogCaptureFixture) -> None:
    old = os.umask(0)
    try:
        folder = cache_folder()
    finally:
        os.umask(old)
    assert folder is not None
    assert folder.parent == cache_home / "thumbline"
    assert cache_folder() == folder
    assert stat.S_IMODE(folder.stat().st_mode) == stat.S_IMODE(folder.parent.stat().st_mode) == 0o700
    assert words(caplog) == []


IMPORTING = "from thumbline.dsp.compilation import kernel\n"


@pytest.mark.parametrize(
    ("number", "line"),
    [
        ("numbers.py", "from thumbline.dsp.numbers import N\n"),
        ("kernel/numbers.py", "from thumbline.dsp.kernel.numbers import N\n"),
        ("kernel/numbers.py", "from thumbline.dsp.kernel import numbers\n"),
        ("kernel/numbers.py", "from thumbline.dsp.kernel import (\n    numbers,\n)\n"),
        ("kernel/numbers.py", "import thumbline.dsp.kernel.numbers as n\n"),
        ("kernel/deep/numbers.py", "from thumbline.dsp.kernel.deep.numbers import N\n"),
        ("kernel/__init__.py", "from thumbline.dsp.kernel.numbers import N\n"),
    ],
)
def test_an_edited_kernel_or_what_it_imports_means_another_folder(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, number: str, line: str
) -> None:
    package = tmp_path / "package"
    monkeypatch.setattr(kernel_cache, "__file__", str(package / "machine_code" / "kernel_cache.py"))
    folders = []
    for name, text in (
        ("compilation.py", ""),
        (number, "N = 1\n"),
        ("kernel/loop.py", IMPORTING + line),  # a new kernel
        ("kernel/loop.py", IMPORTING + line + "a = 1\n"),  # an edit
        ("kernel/loop.py", IMPORTING + line + "a = 2\n"),  # one of the same length
        (number, "N = 2\n"),  # what it imports
        ("compilation.py", "b = 1\n"),  # the policy
    ):
        (package / name).parent.mkdir(parents=True, exist_ok=True)
        (package / name).write_text(text)
        folders.append(cache_folder())
    assert folders[0] == folders[1], "no kernel yet"
    assert len(set(folders)) == 6
    (package / "tables.py").write_text("from thumbline.dsp.kernel.loop import a\n")
    assert cache_folder() == folders[-1], "what uses a kernel is not part of it"


def test_every_source_of_a_kernel_counts() -> None:
    """Every one that has the mark of a kernel, however deep, and none that only uses kernels."""
    held = kernel_cache._kernel_sources()
    package = Path(kernel_cache.__file__).parents[1]
    marked = {path.stem for path in package.rglob("*.py") if "\n@kernel\n" in path.read_text("utf-8")}
    names = {name.rpartition(".")[2] for name in held}
    assert len(marked) >= 20
    assert marked | {"records", "compilation"} <= names
    assert not {"render", "overview", "rig"} & names
    assert not [name for name, text in held.items() if b"\nfrom ." in text], "relative imports are not looked for"


def test_a_cache_that_cannot_be_written_is_replaced_by_a_private_one_and_it_is_said(
    tmp_path: Path, cache_home: Path, caplog: pytest.LogCaptureFixture
) -> None:
    cache_home.write_text("")
    assert is_private(cache_folder(), tmp_path)
    assert words(caplog) == [
        f"Compiled code cannot be kept ({cache_home / 'thumbline'}: Not a directory): every start compiles anew."
    ]


@needs_owners
def test_nor_is_one_used_that_others_may_write_to(
    tmp_path: Path, cache_home: Path, caplog: pytest.LogCaptureFixture
) -> None:
    cache_home.mkdir()
    cache_home.chmod(0o777)
    assert is_private(cache_folder(), tmp_path)
    assert words(caplog) == [
        f"Compiled code cannot be kept ({cache_home} may be written to by others): every start compiles anew."
    ]


@needs_owners
@pytest.mark.skipif(not hasattr(os, "geteuid") or os.geteuid() != 0, reason="only root can give files away")
@pytest.mark.parametrize("theirs", ["the place", "thumbline"])
def test_what_another_user_has_made_beforehand_in_a_shared_place_is_not_loaded(
    tmp_path: Path, cache_home: Path, caplog: pytest.LogCaptureFixture, theirs: str
) -> None:
    """The name of the folder is a hash of public sources: everybody can know it."""
    cache_home.mkdir()
    cache_home.chmod(0o1777)
    planted = cache_folder()
    assert planted is not None
    assert planted.parent.parent == cache_home, "the place itself will do"
    given = cache_home if theirs == "the place" else planted.parent
    os.chown(given, NOBODY, NOBODY)
    assert is_private(cache_folder(), tmp_path)
    assert words(caplog)[0].startswith(f"Compiled code cannot be kept ({given} belongs to another user)")


@needs_owners
def test_what_an_earlier_version_left_open_is_closed_and_what_is_in_it_is_not_trusted(
    cache_home: Path, caplog: pytest.LogCaptureFixture
) -> None:
    folder = cache_folder()
    assert folder is not None
    (folder / "planted.nbc").write_text("")
    folder.parent.chmod(0o777)
    assert cache_folder() == folder
    assert (folder / "planted.nbc").exists(), "its own folder was closed"
    folder.chmod(0o777)
    assert cache_folder() == folder
    assert list(folder.iterdir()) == []
    assert stat.S_IMODE(folder.stat().st_mode) == stat.S_IMODE(folder.parent.stat().st_mode) == 0o700
    shutil.rmtree(folder)
    folder.symlink_to("/tmp" if Path("/tmp").is_dir() else "/")
    assert cache_folder() == folder
    assert not folder.is_symlink()
    assert words(caplog) == []


@needs_owners
def test_a_link_in_place_of_our_folder_is_followed_only_to_a_private_one(
    tmp_path: Path, cache_home: Path, caplog: pytest.LogCaptureFixture
) -> None:
    cache_home.mkdir(0o700)
    (tmp_path / "roomy").mkdir(0o700)
    (cache_home / "thumbline").symlink_to(tmp_path / "roomy")
    folder = cache_folder()
    assert folder is not None
    assert folder.parent == tmp_path / "roomy"
    (tmp_path / "roomy").chmod(0o777)
    assert is_private(cache_folder(), tmp_path)
    assert stat.S_IMODE((tmp_path / "roomy").stat().st_mode) == 0o777, "what a link leads to is let be"
    assert len(words(caplog)) == 1


@pytest.mark.parametrize("variable", ["XDG_CACHE_HOME", "NUMBA_CACHE_DIR"])
def test_a_relative_path_is_ignored(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, variable: str) -> None:
    """XDG Base Directory Specification 0.8: "All paths set in these environment variables must be absolute. If an
    implementation encounters a relative path ... it should consider the path invalid and ignore it."
    """
    monkeypatch.setenv("HOME", str(tmp_path))
    monkeypatch.delenv("XDG_CACHE_HOME")
    monkeypatch.setenv(variable, "here")
    monkeypatch.chdir(tmp_path)
    folder = cache_folder()
    assert folder is not None
    assert folder.parent == tmp_path / ".cache" / "thumbline"


def test_numbas_own_setting_wins_and_is_checked_as_well(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    named = tmp_path / "named"
    monkeypatch.setenv("NUMBA_CACHE_DIR", str(named))
    folder = cache_folder()
    assert folder is not None
    assert folder.parent == named
    if sys.platform != "win32":
        named.chmod(0o777)
        assert is_private(cache_folder(), tmp_path)
        assert len(words(caplog)) == 1


def test_a_user_without_a_home_gets_a_private_folder(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    def nowhere() -> Path:
        raise RuntimeError("Could not determine home directory.")

    monkeypatch.delenv("XDG_CACHE_HOME")
    monkeypatch.setattr(Path, "home", nowhere)
    assert is_private(cache_folder(), tmp_path)
    assert len(words(caplog)) == 1


@needs_owners
def test_without_any_place_nothing_is_kept(
    tmp_path: Path, cache_home: Path, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    cache_home.write_text("")
    shared = tmp_path / "shared"
    shared.mkdir()
    shared.chmod(0o777)  # others could exchange what is in it
    monkeypatch.setattr(kernel_cache, "_temporary_places", lambda: iter([tmp_path / "missing", shared]))
    assert cache_folder() is None
    assert kernel_cache.folder_in_use() is None
    monkeypatch.delenv("NUMBA_DISABLE_JIT", raising=False)
    assert not kernel_cache.are_compiled()
    assert len(words(caplog)) == 2


def test_temporary_places_are_never_the_working_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Where there is no other place Python's own choice is the working folder, and that is the player's."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("XDG_RUNTIME_DIR", "/run/user/1000")
    assert tmp_path not in kernel_cache._temporary_places()
    assert next(iter(kernel_cache._temporary_places())) == tmp_path / "temporary"


WHERE = "from thumbline.dsp.machine_code.kernel_cache import folder_in_use; print(folder_in_use())"


def test_a_private_folder_is_shared_by_all_processes_of_a_run_and_gone_with_it(
    tmp_path: Path, cache_home: Path
) -> None:
    cache_home.write_text("")
    run = f"import subprocess, sys; {WHERE}; subprocess.run([sys.executable, '-c', {WHERE!r}], check=True)"
    done = subprocess.run([sys.executable, "-uc", run], capture_output=True, text=True, check=True)
    first, second = done.stdout.splitlines()
    assert first == second
    assert str(tmp_path / "temporary") in first
    assert done.stderr.count("every start compiles anew") == 1
    assert list((tmp_path / "temporary").iterdir()) == []


@pytest.mark.skipif(os.name != "posix", reason="elsewhere a number does not tell whether a process runs")
def test_what_a_killed_run_leaves_goes_at_the_next_and_what_a_living_one_works_in_stays(
    tmp_path: Path, cache_home: Path
) -> None:
    cache_home.write_text("")
    ended = subprocess.Popen([sys.executable, "-c", ""])
    ended.wait()
    temporary = tmp_path / "temporary"
    for name in (f"{ended.pid}-a", f"{os.getppid()}-b", "99999999999999999999-c", "x-d"):
        (temporary / f"{kernel_cache.PREFIX}{name}").mkdir()
    folder = cache_folder()
    assert folder is not None
    left = {path.name.removeprefix(kernel_cache.PREFIX) for path in temporary.iterdir()}
    assert left - {folder.parent.name.removeprefix(kernel_cache.PREFIX)} == {
        f"{os.getppid()}-b",
        "99999999999999999999-c",
        "x-d",
    }


def test_folders_of_earlier_versions_go_when_nobody_has_used_them_for_a_month(cache_home: Path) -> None:
    base = cache_home / "thumbline"
    old, recent, other = base / "kernels-0123456789abcdef", base / "kernels-fedcba9876543210", base / "notes"
    month_ago = time.time() - 31 * 86_400
    for folder in (old, recent, other):
        folder.mkdir(parents=True, mode=0o700)
        (folder / "a.nbc").write_text("")
    for folder in (base.parent, base):
        folder.chmod(0o700)
    for folder in (old, other):
        os.utime(folder, (month_ago, month_ago))
    (base / "kernels-link").symlink_to(other)
    folder = cache_folder()
    assert folder is not None
    assert set(base.iterdir()) == {recent, other, base / "kernels-link", folder}
    os.utime(folder, (month_ago, month_ago))
    assert cache_folder() == folder
    assert time.time() - folder.stat().st_mtime < 3600, "what is used stays young"


def test_the_folder_is_private_where_the_system_keeps_temporary_ones() -> None:
    """/tmp is open to all but sticky: what is ours there cannot be exchanged."""
    folder = Path(tempfile.mkdtemp(dir=next(place for place in kernel_cache._temporary_places() if place.is_dir())))
    try:
        kernel_cache.make_private(folder.resolve())
    finally:
        folder.rmdir()
