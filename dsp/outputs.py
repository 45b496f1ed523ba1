"""Results on disk: folders whose files appear whole or not at all, streamed sound files, tables.

All files of one result are written into a hidden folder beside the result's own, so that they are on the
same file system, and moved when all are complete. Until then, and after any failure, what was there stays as
it was.
"""

import csv
import errno
import math
import os
import shutil
import unicodedata
import weakref
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path
from types import TracebackType
from typing import BinaryIO, Self

import numpy as np
import soundfile
from numpy.typing import NDArray

from thumbline.dsp.errors import InputError, OutputError, printable
from thumbline.dsp.hidden_folder import BEFORE, MARK, hidden_path, make_hidden, remove_hidden, remove_leftovers
from thumbline.dsp.libsndfile import file_name
from thumbline.dsp.takes import take_name

_RIFF_BYTES = 2**32 - 2**16  # what a WAV file may hold, with ample room for its header
_FULL_SCALE = 2**23  # of 24-bit samples
#: Failures of the storage itself, which carry no file name.
_STORAGE_ERRORS = frozenset((errno.ENOSPC, errno.EDQUOT, errno.EFBIG, errno.EROFS, errno.EIO))


def distinct_names(paths: Sequence[str | os.PathLike[str]]) -> list[str]:
    """Return the name of each take, in order.

    Raises InputError naming both paths if two names are equal, or differ only in ways that some file systems
    ignore (case, Unicode composition).
    """
    seen: dict[str, int] = {}
    names = [take_name(path) for path in paths]
    for index, name in enumerate(names):
        first = seen.setdefault(unicodedata.normalize("NFC", name).casefold(), index)
        if first != index:
            both = f"{printable(paths[first])} and {printable(paths[index])}"
            raise InputError(f"two takes have the same name {printable(name)!r}: {both}; rename one of them")
    return names


@contextmanager
def _explained(doing: str) -> Iterator[None]:
    """Turn an OSError into an OutputError of one line that begins with what was tried."""
    try:
        yield
    except OSError as error:
        reason = error.strerror or str(error)
        raise OutputError(f"cannot {doing}: {reason[:1].lower()}{reason[1:]}") from error


class OutputFolder:
    """All files of one result, as a context manager.

    Inside the ``with`` statement, ``path`` is a new hidden folder to write files into. When the statement
    ends, they take the place of those of the same names in ``target`` (``parent / name``); other files
    there stay. When it ends by any exception, or the files cannot be moved, the hidden folder goes and
    ``target`` is as it was before. What runs that were killed have left in ``parent`` is removed first.

    Raises InputError if ``name`` is not a plain name, or something else is where a folder or file would go;
    OutputError if a folder cannot be made or written to, and for an OSError inside the statement that comes of
    the storage (full, read-only, failing).
    """

    def __init__(self, parent: Path, name: str) -> None:
        if Path(name).name != name or name in ("", ".."):
            raise InputError(f"{printable(name)!r} cannot name a folder; accepted is a name without slashes")
        self.target = parent / name
        self.path = hidden_path(parent)
        self._mark: BinaryIO | None = None
        self._shown = printable(self.target)
        # An interrupt may come between any two instructions, even on the way into the with statement, or out
        # of it: then the folder goes with this object, or with the program.
        self._last_resort = weakref.finalize(self, remove_hidden, self.path)

    def __enter__(self) -> Self:
        with _explained(f"write into the folder {self._shown}"):
            if self.target.exists() and not self.target.is_dir():
                raise InputError(f"cannot write into the folder {self._shown}: it is a file; name another folder")
            remove_leftovers(self.target.parent)
            self._mark = make_hidden(self.path)
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        try:
            if error is None:
                self._publish()
            elif isinstance(error, OSError) and self._is_ours(error):
                with _explained(f"write into the folder {self._shown}"):
                    raise error
        finally:
            remove_hidden(self.path, self._mark)
            self._last_resort.detach()

    def _is_ours(self, error: OSError) -> bool:
        """Whether ``error`` came of writing the files of this result."""
        if error.filename is None:
            return error.errno in _STORAGE_ERRORS
        return self.path in Path(os.fsdecode(error.filename)).parents

    def _publish(self) -> None:
        """Move all files to the target; if that fails half-way, put back what they replaced."""
        with _explained(f"write into the folder {self._shown}"):
            names = sorted(file.name for file in self.path.iterdir() if file.name != MARK)
            for name in names:
                if (self.target / name).is_dir():
                    raise InputError(f"cannot write {printable(self.target / name)}: it is a folder; move it away")
                _flush(self.path / name)
            before = self.path / BEFORE
            before.mkdir()
            new_target = not self.target.exists()
            try:
                self.target.mkdir(exist_ok=True)
                for name in names:
                    _second_name(self.target / name, before / name)
                for name in names:
                    (self.path / name).replace(self.target / name)
            except BaseException:
                self._put_back(names, before)
                if new_target:
                    with suppress(OSError):
                        self.target.rmdir()
                raise

    def _put_back(self, names: Sequence[str], before: Path) -> None:
        """Undo the moves that were made: a file that is still in ``path`` was not moved."""
        for name in names:
            if not (self.path / name).exists():
                if os.path.lexists(before / name):
                    (before / name).replace(self.target / name)
                else:
                    (self.target / name).unlink(missing_ok=True)


def _flush(file: Path) -> None:
    """Have the system write ``file`` out, so that a power cut cannot leave a whole name on half a file."""
    with file.open("rb+") as stream:
        os.fsync(stream.fileno())


def _second_name(file: Path, name: Path) -> None:
    """Give ``file``, if there is one, a second name: a hard link, or a copy where there are no links."""
    if os.path.lexists(file):
        try:
            os.link(file, name, follow_symlinks=False)
        except (OSError, NotImplementedError):
            shutil.copy2(file, name, follow_symlinks=False)


class AudioWriter:
    """A sound file written block by block: 24-bit WAV, or RF64 if it will not fit into WAV's 4 GiB.

    ``frames`` is how long the file will be. A context manager: leaving it closes the file. Samples are
    rounded to 24 bits, and clipped to full scale. Raises OutputError if the file cannot be written; ValueError
    for a block that does not fit the file or is not finite, and for more or fewer frames than said.
    """

    def __init__(self, path: Path, sample_rate: int, channels: int, frames: int) -> None:
        self.path, self.channels, self.frames = path, channels, frames
        self._written = 0
        self._peak = 0  # in steps of 24 bits
        with _explained(f"write {printable(path.name)}"):
            path.open("wb").close()  # says what is wrong, where libsndfile knows but "System error"
        with self._explained_by_libsndfile():
            self._sound = soundfile.SoundFile(
                file_name(path),
                "w",
                sample_rate,
                channels,
                "PCM_24",
                format="RF64" if self._sound_bytes() > _RIFF_BYTES else "WAV",
            )

    def _sound_bytes(self) -> int:
        return self.frames * self.channels * 3

    @contextmanager
    def _explained_by_libsndfile(self) -> Iterator[None]:
        try:
            yield
        except soundfile.LibsndfileError as error:
            free = shutil.disk_usage(self.path.parent).free // 10**6
            reason = f"{error.error_string.rstrip('.').lower()} ({free} MB are free there)"
            raise OutputError(f"cannot write {printable(self.path.name)}: {reason}") from error

    def __enter__(self) -> Self:
        return self

    def __exit__(self, kind: type[BaseException] | None, *_: object) -> None:
        if kind is not None:
            with suppress(soundfile.LibsndfileError):
                self._sound.close()
            return
        with self._explained_by_libsndfile():
            self._sound.close()
        if self._written != self.frames:
            raise ValueError(f"{self.path.name}: {self._written} frames written, {self.frames} announced")
        if self.path.stat().st_size < self._sound_bytes():
            raise OutputError(f"cannot write {printable(self.path.name)}: the disk kept less than was written")

    def write(self, block: NDArray[np.float64]) -> None:
        """Append ``block``: float64, (n, channels), or (n,) for one channel; 1.0 is full scale."""
        columns = block[:, np.newaxis] if block.ndim == 1 else block
        if columns.ndim != 2 or columns.shape[1] != self.channels:
            raise ValueError(f"{self.path.name}: a block of shape {block.shape} for {self.channels} channels")
        if not np.isfinite(columns).all():
            raise ValueError(f"{self.path.name}: a sample to be written is not finite")
        if self._written + len(columns) > self.frames:
            raise ValueError(f"{self.path.name}: more than the {self.frames} frames announced")
        steps = np.clip(np.rint(columns * _FULL_SCALE), -_FULL_SCALE, _FULL_SCALE - 1).astype(np.int32)
        with self._explained_by_libsndfile():
            self._sound.write(steps << 8)  # libsndfile takes the upper 24 of 32 bits
        self._written += len(columns)
        self._peak = max(self._peak, int(np.abs(steps).max(initial=0)))

    @property
    def peak_dbfs(self) -> float | None:
        """Highest sample so far as the file holds it, in dB below full scale; None if all are zero."""
        return 20.0 * math.log10(self._peak / _FULL_SCALE) if self._peak else None


def write_csv(path: Path, header: Sequence[str], rows: Iterable[Sequence[object]]) -> None:
    """Write a table: UTF-8, commas, lines that end in a line feed, quotes where RFC 4180 wants them.

    Raises OutputError if the file cannot be written, ValueError for a row that is not as long as ``header``.
    """
    with _explained(f"write {printable(path.name)}"), path.open("w", encoding="utf-8", newline="") as file:
        table = csv.writer(file, lineterminator="\n")
        table.writerow(header)
        for row in rows:
            if len(row) != len(header):
                raise ValueError(f"{path.name}: a row of {len(row)} fields under a header of {len(header)}")
            table.writerow(row)
