"""Another user exchanges the hidden folder of a run for a link: nothing that the link leads to is touched.

The exchanges are made by a process of another user (nobody) in a folder that everybody may write to, so these tests
want root; elsewhere they are passed over.
"""

import os
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path

import pytest

from thumbline.dsp.files.outputs import OutputFolder
from thumbline.dsp.files.staging import MARK, hidden_path, remove_leftovers

NOBODY = 65534
pytestmark = pytest.mark.skipif(
    sys.platform == "win32" or os.geteuid() != 0, reason="needs a second user, whom only root can play"
)

#: Waits until the mark in a folder is opened for the first time (inotify(7)), then swaps the folder for a link at once
#: (renameat2(2), RENAME_EXCHANGE).
SWAPS_WHEN_READ = """
import ctypes, os, sys
libc = ctypes.CDLL(None, use_errno=True)
folder, link = sys.argv[1].encode(), sys.argv[2].encode()
watch = libc.inotify_init()
IN_OPEN = 0x20
libc.inotify_add_watch(watch, folder + b"/.alive", IN_OPEN)
print("ready", flush=True)
os.read(watch, 4096)
libc.renameat2(-100, folder, -100, link, 2)
print("swapped", flush=True)
"""


@pytest.fixture
def shared() -> Iterator[Path]:
    """A folder that everybody may write to, with a private one of the victim's beside it."""
    place = Path(tempfile.mkdtemp())
    place.chmod(0o755)
    (place / "out").mkdir()
    (place / "out").chmod(0o777)
    home = place / "home"
    home.mkdir(mode=0o700)
    for name in ("bass.wav", "diary.txt"):
        (home / name).write_text("mine")
    yield place / "out"
    shutil.rmtree(place)


def as_nobody(code: str, *arguments: Path | str) -> "subprocess.Popen[str]":
    """Run code as another user, who may not be able to start this Python: it is started before the change."""
    change = f"import ctypes, os, sys; os.setgroups([]); os.setgid({NOBODY}); os.setuid({NOBODY})\n"
    command = [sys.executable, "-c", change + code, *map(str, arguments)]
    return subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True)


def nobody_did(code: str, *arguments: Path | str) -> int:
    """Have it done and return the exit code."""
    with as_nobody(code, *arguments) as process:
        return process.wait()


def home_of(shared: Path) -> dict[str, str]:
    return {path.name: path.read_text() for path in (shared.parent / "home").iterdir()}


MINE = {"bass.wav": "mine", "diary.txt": "mine"}


@pytest.mark.parametrize("fails", [False, True])
def test_a_link_in_place_of_the_hidden_folder_of_a_run_is_neither_written_through_nor_emptied(
    shared: Path, fails: bool
) -> None:
    with suppress(RuntimeError), OutputFolder(shared, "gig") as folder:
        (hidden,) = shared.glob(".thumbline-*")
        code = "import os, sys; os.rename(sys.argv[1], sys.argv[1] + '-away'); os.symlink(sys.argv[2], sys.argv[1])"
        assert nobody_did(code, hidden, shared.parent / "home") == 0
        assert hidden.is_symlink()
        (folder.path / "bass.wav").write_text("the new one")
        if fails:
            raise RuntimeError
    assert home_of(shared) == MINE
    assert fails or (shared / "gig" / "bass.wav").read_text() == "the new one"
    assert list(shared.glob(".thumbline-*-away/*")) == []


def test_a_leftover_that_another_user_planted_and_swaps_for_a_link_costs_nothing(shared: Path) -> None:
    planted = hidden_path(shared)
    boot = Path("/proc/sys/kernel/random/boot_id").read_text().strip()
    plant = """
import os, sys
os.mkdir(sys.argv[1])
open(sys.argv[1] + "/.alive", "w").write(sys.argv[3])
os.chmod(sys.argv[1] + "/.alive", 0o666)
for number in range(3000):
    open(f"{sys.argv[1]}/{number}", "w").close()
os.symlink(sys.argv[2], sys.argv[1] + "-link")
"""
    assert nobody_did(plant, planted, shared.parent / "home", boot) == 0
    assert (planted / MARK).read_text() == boot
    with as_nobody(SWAPS_WHEN_READ, planted, f"{planted}-link") as swaps:
        assert swaps.stdout is not None
        assert swaps.stdout.readline() == "ready\n"
        try:
            remove_leftovers(shared)
            with OutputFolder(shared, "gig") as folder:
                (folder.path / "bass.wav").write_text("the new one")
            assert home_of(shared) == MINE
            assert planted.is_dir()  # it is not ours, so it was not even looked into
            assert not planted.is_symlink()
        finally:
            swaps.kill()


def test_what_another_user_has_left_stays(shared: Path) -> None:
    planted = hidden_path(shared)
    assert nobody_did("import os, sys; os.mkdir(sys.argv[1])", planted) == 0
    remove_leftovers(shared)
    assert planted.is_dir()


def test_a_folder_of_our_own_swapped_for_a_link_when_its_mark_is_read_is_removed_and_nothing_else(
    shared: Path,
) -> None:
    """A real leftover of the victim's: the exchange comes between the look and the removal."""
    left = hidden_path(shared)
    left.mkdir(mode=0o755)  # so that the other user can see when the mark is opened
    (left / MARK).write_text(Path("/proc/sys/kernel/random/boot_id").read_text().strip())
    (left / MARK).chmod(0o644)
    for number in range(3000):
        (left / str(number)).touch()
    link = Path(f"{left}-link")
    assert nobody_did("import os, sys; os.symlink(sys.argv[1], sys.argv[2])", shared.parent / "home", link) == 0
    with as_nobody(SWAPS_WHEN_READ, left, link) as swaps:
        assert swaps.stdout is not None
        assert swaps.stdout.readline() == "ready\n"
        remove_leftovers(shared)
        assert swaps.stdout.readline() == "swapped\n"
    assert home_of(shared) == MINE


def test_another_users_link_in_place_of_the_result_is_refused(shared: Path) -> None:
    code = "import os, sys; os.symlink(sys.argv[1], sys.argv[2])"
    assert nobody_did(code, shared.parent / "home", shared / "gig") == 0
    with pytest.raises(Exception, match="another user's link"), OutputFolder(shared, "gig"):
        pass
    assert home_of(shared) == MINE


def test_nobody_else_can_look_into_a_hidden_folder(shared: Path) -> None:
    with OutputFolder(shared, "gig"):
        (hidden,) = shared.glob(".thumbline-*")
        assert hidden.stat().st_mode & 0o777 == 0o700
        assert nobody_did("import os, sys; os.listdir(sys.argv[1])", hidden) != 0
