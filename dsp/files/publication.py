"""The last step of a result: its files take their places in the folder that it is for, all of them or none.

Nothing there is replaced but what the program made itself. A file of its own that was changed since stays beside the
new one under another name.
"""

import os
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from pathlib import Path, PurePath

from thumbline.dsp.errors import InputError, printable
from thumbline.dsp.files.file_lock import turn_in
from thumbline.dsp.files.folder_handle import FolderHandle
from thumbline.dsp.files.made_files import Record, is_as_made
from thumbline.dsp.files.staging import BEFORE, MARK


def changed_files(
    target: Path, names: Iterable[str], record: Record, spared: Sequence[Path] = (), shown_as: Path | None = None
) -> list[str]:
    """Return which of the files ``names`` in the folder ``target`` are ours by its ``record``, but were changed since.

    Messages show the folder as ``shown_as``. Raises InputError for a file that the program did not make, and for one of
    those that are to be ``spared``.
    """
    changed: list[str] = []
    for name in names:
        path = target / name
        if not os.path.lexists(path):
            continue
        shown = printable((shown_as or target) / name)
        if path.is_dir() and not path.is_symlink():
            raise InputError(f"cannot write {shown}: it is a folder; move it away")
        if any(_same_file(path, each) for each in spared):
            raise InputError(f"cannot write {shown}: it belongs to the take itself; accepted: another --out")
        if name not in record or path.is_symlink():
            raise InputError(
                f"cannot write {shown}: the file there was not made by thumbline; accepted: another --out, "
                "or that file moved away"
            )
        if not is_as_made(path, record[name]):
            changed.append(name)
    return changed


def _same_file(path: Path, other: Path) -> bool:
    with suppress(OSError):
        return path.samefile(other)
    return False


@dataclass
class Publication:
    """One result on its way from the hidden folder ``made`` to the folder ``name`` in ``parent``."""

    made: FolderHandle
    parent: FolderHandle
    name: str
    record_of: Callable[[Path], Record]  #: tells what the program made in a folder
    spared: Sequence[Path] = ()  #: files that are never replaced, such as those of the take
    check: Callable[[], None] | None = None  #: called when nobody else can publish; may raise
    unwanted: Sequence[str] = ()  #: files that go if they are ours and as we made them
    through_link: bool = False  #: whether the folder is reached through a link
    removed: list[str] = field(default_factory=list)  #: which of the unwanted have gone

    def publish(self) -> list[str]:
        """Move all files, and return the names under which files of ours stay that were changed.

        If anything fails, or comes between, everything is as it was. Raises InputError as `changed_files`, OSError if
        the system refuses.
        """
        names = sorted(name for name in self.made.names() if name != MARK)
        for name in names:
            _flush(self.made, name)
        self.made.write_out()
        with self._target() as (target, is_new):
            try:
                if self.check:
                    self.check()
                record = self.record_of(target.place)
                changed = changed_files(target.place, names, record, self.spared, self.parent.path / self.name)
                kept = self._exchange(target, names, changed)
            except BaseException:
                if is_new:
                    with suppress(OSError):
                        self.parent.remove_folder(self.name)
                raise
            self._remove_unwanted(target, names, record)
            target.write_out()
        return kept

    @contextmanager
    def _target(self) -> Iterator[tuple[FolderHandle, bool]]:
        """The folder of the result, which is ours alone inside the statement, and whether it is new."""
        while True:
            is_new = False
            with suppress(FileExistsError):
                self.parent.make_folder(self.name)
                is_new = True
            try:
                target = self._opened()
            except FileNotFoundError:
                if self.parent.holds(self.name):
                    raise  # a link that leads nowhere
                continue  # another run, whose folder it was, has failed and taken it back
            with turn_in(target.descriptor):
                if self._is_still(target):
                    try:
                        yield target, is_new
                    finally:
                        self.parent.write_out()
                    return
            target.close()

    def _opened(self) -> FolderHandle:
        path = self.parent.path / self.name
        return FolderHandle.open(path) if self.through_link else self.parent.folder(self.name)

    def _is_still(self, target: FolderHandle) -> bool:
        try:
            return os.path.samestat(self._opened().status, target.status)
        except OSError:
            return False

    def _exchange(self, target: FolderHandle, names: Sequence[str], changed: Sequence[str]) -> list[str]:
        """Move the files, and return under which names changed ones stay; take it back if that fails half-way."""
        self.made.make_folder(BEFORE)
        before = self.made.folder(BEFORE)
        kept: list[str] = []
        try:
            for name in names:
                if target.holds(name):
                    target.link(name, before)
            for name in changed:
                free = _free_name(target, name)
                target.link(name, target, free)
                kept.append(free)
            for name in names:
                self.made.move(name, target)
        except BaseException:
            for name in names:  # a file that is still in the hidden folder was not moved
                if not self.made.holds(name):
                    _put_back(before, name, target)
            for name in kept:
                with suppress(OSError):
                    target.remove_file(name)
            raise
        return kept

    def _remove_unwanted(self, target: FolderHandle, names: Sequence[str], record: Record) -> None:
        """Remove files that are no longer wanted; one that was changed, or cannot be removed, stays."""
        for name in self.unwanted:
            with suppress(OSError):
                if name in record and name not in names and is_as_made(target.place / name, record[name]):
                    target.remove_file(name)
                    self.removed.append(name)


def _put_back(before: FolderHandle, name: str, target: FolderHandle) -> None:
    if before.holds(name):
        before.move(name, target)
    else:
        with suppress(FileNotFoundError):
            target.remove_file(name)


def _free_name(folder: FolderHandle, name: str) -> str:
    """Return a name for a changed file that is not taken."""
    path = PurePath(name)
    number, free = 1, f"{path.stem} (changed){path.suffix}"
    while folder.holds(free):
        number += 1
        free = f"{path.stem} (changed {number}){path.suffix}"
    return free


def _flush(folder: FolderHandle, name: str) -> None:
    """Have the system write a file out, so that a power cut cannot leave a whole name on half a file."""
    descriptor = folder.open_file(name, os.O_RDWR)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)
