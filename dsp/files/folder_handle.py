"""A folder that is held by a handle: whatever takes its name meanwhile, work goes on in the folder that was opened.

Where the system has no such handles (Windows, where links need a privilege), names count from the folder's path.
"""

import os
import shutil
import stat
from contextlib import suppress
from pathlib import Path
from typing import Self

#: Whether folders can be opened, and names be taken from where they are open.
HANDLES = os.name == "posix" and {os.open, os.mkdir, os.stat, os.unlink, os.rmdir, os.rename} <= os.supports_dir_fd
#: Where Linux shows what a process has open.
_OPEN = Path("/proc/self/fd")


class FolderHandle:
    """A folder, by handle. Names are those of entries in it, never paths; links are not followed.

    Every method raises OSError if the system refuses.
    """

    def __init__(self, path: Path, descriptor: int | None) -> None:
        self.path = path  #: as it was opened, for messages
        self._descriptor = descriptor

    @classmethod
    def open(cls, path: Path, *, follow: bool = True) -> Self:
        """Open the folder at ``path``; with ``follow`` false it must be no link."""
        if not HANDLES:
            if not path.is_dir() or not (follow or not path.is_symlink()):
                raise NotADirectoryError(20, "Not a directory", str(path))
            return cls(path, None)
        return cls(path, os.open(path, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC | (0 if follow else os.O_NOFOLLOW)))

    def folder(self, name: str) -> "FolderHandle":
        """Open the folder ``name`` in this one."""
        path = self.path / name
        if self._descriptor is None:
            return FolderHandle.open(path, follow=False)
        flags = os.O_RDONLY | os.O_DIRECTORY | os.O_NOFOLLOW | os.O_CLOEXEC
        return FolderHandle(path, os.open(name, flags, dir_fd=self._descriptor))

    def __del__(self) -> None:
        self.close()

    def close(self) -> None:
        """Let go of the handle."""
        descriptor, self._descriptor = self._descriptor, None
        if descriptor is not None:
            with suppress(OSError):
                os.close(descriptor)

    @property
    def descriptor(self) -> int | None:
        """The handle as the system numbers it; None where there are none."""
        return self._descriptor

    @property
    def place(self) -> Path:
        """A path to this very folder for libraries that take nothing else: by handle on Linux, else as opened."""
        by_handle = _OPEN / str(self._descriptor)
        return by_handle if self._descriptor is not None and by_handle.is_dir() else self.path

    @property
    def status(self) -> os.stat_result:
        """What the system says of the folder."""
        return self.path.stat() if self._descriptor is None else os.fstat(self._descriptor)

    def _name(self, name: str) -> str | Path:
        return self.path / name if self._descriptor is None else name

    def names(self) -> list[str]:
        """Return the names in the folder."""
        return os.listdir(self.path if self._descriptor is None else self._descriptor)  # noqa: PTH208  by handle

    def look(self, name: str) -> os.stat_result:
        """Return what the system says of ``name``, of a link itself."""
        return os.stat(self._name(name), dir_fd=self._descriptor, follow_symlinks=False)

    def holds(self, name: str) -> bool:
        """Whether there is anything of this name."""
        try:
            self.look(name)
        except FileNotFoundError:
            return False
        return True

    def holds_folder(self, name: str) -> bool:
        """Whether there is a folder of this name (a link is none)."""
        return self.holds(name) and stat.S_ISDIR(self.look(name).st_mode)

    def make_folder(self, name: str, mode: int = 0o777) -> None:
        """Make a folder."""
        os.mkdir(self._name(name), mode, dir_fd=self._descriptor)

    def open_file(self, name: str, flags: int, mode: int = 0o666) -> int:
        """Open a file and return its descriptor; a link is refused, and a pipe not waited for."""
        extra = (
            os.O_CLOEXEC | os.O_NOFOLLOW | os.O_NONBLOCK if self._descriptor is not None else getattr(os, "O_BINARY", 0)
        )
        return os.open(self._name(name), flags | extra, mode, dir_fd=self._descriptor)

    def remove_file(self, name: str) -> None:
        """Remove a file or a link."""
        os.unlink(self._name(name), dir_fd=self._descriptor)

    def remove_folder(self, name: str) -> None:
        """Remove a folder that is empty."""
        os.rmdir(self._name(name), dir_fd=self._descriptor)

    def remove_all(self, name: str) -> None:
        """Remove whatever has this name, a folder with all in it; Python follows no links there."""
        if self.holds_folder(name):
            shutil.rmtree(self._name(name), dir_fd=self._descriptor)
        else:
            self.remove_file(name)

    def move(self, name: str, to: "FolderHandle", new_name: str | None = None) -> None:
        """Move an entry to another folder of the same file system, over what has that name there."""
        os.replace(self._name(name), to._name(new_name or name), src_dir_fd=self._descriptor, dst_dir_fd=to._descriptor)

    def link(self, name: str, to: "FolderHandle", new_name: str | None = None) -> None:
        """Give a file a second name in another folder: a hard link, or a copy where there are no links."""
        try:
            os.link(
                self._name(name),
                to._name(new_name or name),
                src_dir_fd=self._descriptor,
                dst_dir_fd=to._descriptor,
                follow_symlinks=False,
            )
        except FileExistsError:
            raise
        except (OSError, NotImplementedError):
            shutil.copy2(self.place / name, to.place / (new_name or name), follow_symlinks=False)

    def write_out(self) -> None:
        """Have the system write out which names the folder holds, where it can."""
        if self._descriptor is not None:
            with suppress(OSError):
                os.fsync(self._descriptor)
