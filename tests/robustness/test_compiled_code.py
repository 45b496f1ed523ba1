"""Compiled code on disk: damaged, exchanged, made by two at once, on a full disk. Results are right all the same."""

import errno
import logging
import os
import pickle
import random
import shutil
import stat
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from tests.robustness.damaged_caches import DAMAGES, RIGHT, Caches, compiled_at_once, files, results, write_source
from thumbline.dsp.machine_code import kernel_files

DAMAGED = "was damaged; what does not fit is thrown away and compiled anew"

pytestmark = pytest.mark.skipif(os.environ.get("NUMBA_DISABLE_JIT", "0") not in ("", "0"), reason="nothing is compiled")
FOLDER_IN_USE = kernel_files.folder_in_use


def use(folder: Path | None) -> None:
    kernel_files.folder_in_use = lambda: folder
    kernel_files._say.cache_clear()


@pytest.fixture(autouse=True)
def restored() -> Iterator[None]:
    yield
    kernel_files.folder_in_use = FOLDER_IN_USE
    kernel_files._say.cache_clear()


@pytest.fixture(scope="module")
def caches(tmp_path_factory: pytest.TempPathFactory) -> Caches:
    return Caches(tmp_path_factory.mktemp("caches").resolve(), use)


def words(caplog: pytest.LogCaptureFixture) -> list[str]:
    said = [record.getMessage() for record in caplog.records if record.levelno >= logging.WARNING]
    caplog.clear()
    return said


@pytest.mark.parametrize("seed", range(2))
@pytest.mark.parametrize("kind", DAMAGES)
def test_whatever_is_damaged_is_compiled_anew_which_is_said_in_one_line(
    caches: Caches, caplog: pytest.LogCaptureFixture, kind: str, seed: int
) -> None:
    assert caches.damaged_once(kind, random.Random(seed)) == RIGHT
    said = words(caplog)
    if kind == "a file for a folder":
        assert said == [], "as if there had never been any"
    else:
        assert len(said) == 1
        assert said[0].endswith(DAMAGED + ".")
    use(caches.now)
    assert results(caches.source) == RIGHT
    assert words(caplog) == [], "all is well again"
    assert len(files(caches.now)) == len(files(caches.good))
    assert {stat.S_IMODE(path.stat().st_mode) for path in files(caches.now)} == {0o600}


@pytest.fixture(scope="module")
def compiled() -> Path:
    """The folder of the processor's own compiled code."""
    from thumbline.dsp.machine_code.kernel_cache import folder_in_use
    from thumbline.dsp.processor.processor import warm_up

    warm_up()
    folder = folder_in_use()
    assert folder is not None
    return folder


@pytest.mark.parametrize("kind", [kind for kind in DAMAGES if kind != "a file for a folder"])
def test_nothing_of_a_damaged_file_of_the_processor_is_unpickled(
    tmp_path: Path, compiled: Path, kind: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Loading it would be running it: what the digest does not vouch for is thrown away unread."""
    chance = random.Random(kind)
    for number, original in enumerate(chance.sample(files(compiled), 8)):
        place, others = (tmp_path / f"{number} {name}" / compiled.name for name in ("now", "others"))
        for folder in (place, others):
            shutil.copytree(compiled, folder, ignore=lambda _, names, keep=original.name: _all_but(keep, names))
        (_, neighbour), path = _two_of(compiled, original, chance), place / original.relative_to(compiled)
        shutil.copy(neighbour, path.with_name(neighbour.name))
        shutil.copy(neighbour, others / path.relative_to(place))
        stamp, key, _ = pickle.loads(path.read_bytes()[32:])
        kept = kernel_files.KernelFiles(str(path.parent), path.name.rsplit(".", 2)[0], stamp)
        assert kept.load(key) is not None
        DAMAGES[kind](path, others, chance)
        with monkeypatch.context() as guarded:
            guarded.setattr(kernel_files.pickle, "loads", lambda _: pytest.fail("damaged code was loaded"))
            assert kept.load(key) is None
        assert not path.is_symlink()
        assert not path.exists()


def _all_but(keep: str, names: list[str]) -> set[str]:
    return {name for name in names if name.endswith(".nbc") and name != keep}


def _two_of(folder: Path, first: Path, chance: random.Random) -> tuple[Path, Path]:
    """A file, and another of the same folder."""
    return first, chance.choice([path for path in files(folder) if path != first and path.parent == first.parent])


#: Splits a take with the compiled code in a folder, and prints a digest of what comes of it.
SPLITTING = """
import hashlib, sys
import numpy as np
from thumbline.dsp.processor.processor import Processor
from thumbline.dsp.rig.model import Rig
out, events = Processor(Rig(), 24_000).process(np.load(sys.argv[1]))
print(hashlib.sha256(out.tobytes() + repr(events).encode()).hexdigest())
"""


def test_a_take_is_split_alike_with_a_damaged_copy_of_the_processor(
    tmp_path: Path, compiled: Path, frames: np.ndarray
) -> None:
    """That which is called from Python is damaged, and compiled anew from the rest."""
    np.save(tmp_path / "take.npy", frames[: len(frames) // 4])
    copy = tmp_path / "cache" / compiled.name
    shutil.copytree(compiled, copy)
    copy.parent.chmod(0o700)

    def split() -> tuple[str, str]:
        command = [sys.executable, "-c", SPLITTING, str(tmp_path / "take.npy")]
        environment = {**os.environ, "NUMBA_CACHE_DIR": str(copy.parent)}
        done = subprocess.run(command, env=environment, capture_output=True, text=True, check=True)
        return done.stdout, done.stderr

    whole = split()
    assert whole[1] == ""
    for path in (damaged := [path for path in files(copy) if path.name.startswith("process.process-")]):
        DAMAGES["flipped"](path, copy, random.Random(1))
    assert damaged
    mended = split()
    assert mended[0] == whole[0]
    assert mended[1].count(DAMAGED) == mended[1].count("\n") == 1
    assert split() == whole


def test_a_file_that_others_could_have_written_is_not_loaded(caches: Caches, caplog: pytest.LogCaptureFixture) -> None:
    caches.damaged_once("emptied", random.Random(1))
    for path in files(caches.now):
        path.chmod(0o666)
    words(caplog)
    use(caches.now)
    assert results(caches.source) == RIGHT
    assert len(words(caplog)) == 1
    assert {stat.S_IMODE(path.stat().st_mode) for path in files(caches.now)} == {0o600}


def test_an_edit_is_compiled_anew_without_a_word(tmp_path: Path, caplog: pytest.LogCaptureFixture) -> None:
    use(tmp_path)
    write_source(tmp_path / "small.py")
    assert results(tmp_path / "small.py") == RIGHT
    write_source(tmp_path / "small.py", 7)
    assert results(tmp_path / "small.py") == (24.5, 17.0)
    write_source(tmp_path / "small.py")
    assert results(tmp_path / "small.py") == RIGHT
    assert words(caplog) == []


def test_functions_can_be_forgotten(tmp_path: Path) -> None:
    use(tmp_path)
    kept = kernel_files.KernelFiles(str(tmp_path / "a"), "small", 1)
    kept.save("key", [1.0])
    assert kept.load("key") == [1.0]
    assert kept.load("another") is None
    kept.flush()
    assert kept.load("key") is None


def test_a_full_disk_costs_the_cache_and_nothing_else(
    tmp_path: Path, caplog: pytest.LogCaptureFixture, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(*arguments: Any, **options: Any) -> Any:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    use(tmp_path)
    write_source(tmp_path / "small.py")
    monkeypatch.setattr(kernel_files.tempfile, "mkstemp", full)
    assert results(tmp_path / "small.py") == RIGHT
    assert words(caplog) == [
        f"Compiled code cannot be kept in {tmp_path} (No space left on device): each start compiles anew."
    ]
    assert files(tmp_path) == []


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="no limits on the size of files")
def test_a_file_that_finds_no_room_while_it_is_written_leaves_nothing(tmp_path: Path) -> None:
    from tests.robustness.test_storage import no_file_larger_than

    use(tmp_path)
    kept = kernel_files.KernelFiles(str(tmp_path / "a"), "small", 1)
    with no_file_larger_than(1000):
        kept.save("key", np.zeros(1000))
    assert list((tmp_path / "a").iterdir()) == []


def test_without_any_place_nothing_is_kept_and_all_is_right(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    use(None)
    monkeypatch.chdir(tmp_path)
    write_source(tmp_path / "small.py")
    assert results(tmp_path / "small.py") == RIGHT
    assert [path.name for path in tmp_path.iterdir() if path.name != "__pycache__"] == ["small.py"]


@pytest.mark.parametrize("number", range(2))
def test_two_that_compile_at_once_from_an_empty_cache_are_both_right_and_so_is_the_next(
    tmp_path: Path, number: int
) -> None:
    assert compiled_at_once(tmp_path) == ["{} {}".format(*RIGHT)] * 2
    assert compiled_at_once(tmp_path, 1) == ["{} {}".format(*RIGHT)]


def test_functions_of_libraries_are_kept_in_the_same_way() -> None:
    """librosa's beat tracker has functions for several signatures that it declares when it is loaded."""
    from thumbline.dsp.machine_code.kernel_cache import folder_in_use
    from thumbline.dsp.machine_code.kernel_files import install

    install()  # before functions are declared that keep compiled code
    import librosa

    librosa.beat.beat_track(onset_envelope=np.tile(np.eye(1, 20)[0], 20), sr=22050, hop_length=512, bpm=60.0)
    folder = folder_in_use()
    assert folder is not None
    assert [path for path in files(folder) if path.name.startswith("guf-beat.")]
