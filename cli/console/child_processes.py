"""What a run of `thumbline live` has behind the scenes: a private folder, and the processes that are started for it.

Nothing heavy is loaded here, so that the engine can load what it needs while the console still reads the settings.
"""

import os
import shutil
import tempfile
from collections.abc import Iterator
from pathlib import Path
from typing import Self

from thumbline.cli.console.child import Child
from thumbline.cli.console.spare import Spare
from thumbline.cli.shared.processes import ProcessHandle
from thumbline.cli.shared.runs import PREFIX


def base_folder() -> Path:
    """Return where the folders of all runs are: in memory, where the system has such a place.

    THUMBLINE_RUNS names another folder: runs there, and what looks for them, know nothing of the others.
    """
    if apart := os.environ.get("THUMBLINE_RUNS"):
        return Path(apart)
    shared = Path("/dev/shm")
    return shared if shared.is_dir() and os.access(shared, os.W_OK) else Path(tempfile.gettempdir())


class Backstage:
    """The folder and the processes; a context manager that leaves neither."""

    def __init__(self) -> None:
        base = base_folder()
        _remove_leftovers(base)
        self._folder = Path(tempfile.mkdtemp(prefix=f"{PREFIX}{os.getpid()}-", dir=base))
        self.memory = self._folder / "memory"  #: the file, not made yet
        self.engine = Child("thumbline.cli.engine", self.memory)
        self.spare = Spare("thumbline.cli.engine", self.memory)  #: what engines split off, once it is started
        self.keeper = Child("thumbline.cli.keeper", self.memory)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *error: object) -> None:
        for child in (self.engine, self.spare, self.keeper):
            child.kill()
        shutil.rmtree(self._folder, ignore_errors=True)


def _leftovers(base: Path) -> Iterator[Path]:
    """Folders of runs that were killed."""
    for folder in base.glob(f"{PREFIX}*"):
        pid = folder.name.removeprefix(PREFIX).split("-")[0]
        if len(pid) < 10 and pid.isascii() and pid.isdecimal() and ProcessHandle(int(pid)).ended:
            yield folder


def _remove_leftovers(base: Path) -> None:
    if os.name == "posix":  # elsewhere a number says nothing about who has it now
        for folder in _leftovers(base):
            shutil.rmtree(folder, ignore_errors=True)
