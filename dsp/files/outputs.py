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
import weakref
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path
from types import TracebackType
from typing import Self

import numpy as np
import soundfile
from numpy.typing import NDArray

from thumbline.dsp.errors import InputError, OutputError, printable
from thumbline.dsp.files.made_files import Record, made_in
from thumbline.dsp.files.publication import Publication, changed_files
from thumbline.dsp.files.sound_files import file_name
from thumbline.dsp.files.staging import HiddenFolder, remove_leftovers

_RIFF_BYTES = 2**32 - 2**16  # what a WAV file may hold, with ample room for its header
_FULL_SCALE = 2**23  # of 24-bit samples
#: Failures of the storage itself, which carry no file name.
_STORAGE_ERRORS = frozenset((errno.ENOSPC, errno.EDQUOT, errno.EFBIG, errno.EROFS, errno.EIO))


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

    Inside the ``with`` statement, ``path`` leads to a new hidden folder to write files into. When the statement
    ends, they take the place of those of the same names in ``target`` (``parent / name``), and ``kept_aside`` names
    those that were changed since the program had made them and stay under another name. Other files there stay. When
    it ends by any exception, or the files cannot be moved, the hidden folder goes and ``target`` is as it was before.
    What runs that were killed have left in ``parent`` is removed first.

    ``record_of`` tells what the program made in a folder; ``spared`` are files that are never replaced, such as those
    of the take. Two that publish into one folder do so one after the other; ``check``, if set, is called when it is our
    turn, and what it raises leaves everything as it was. Files named in ``unwanted`` go then, if we made them;
    ``removed`` names those that have gone.

    Raises InputError if ``name`` is not a plain name, or something that we did not make is where a folder or file would
    go; OutputError if a folder cannot be made or written to, and for an OSError inside the statement that comes of
    the storage (full, read-only, failing).
    """

    def __init__(
        self,
        parent: Path,
        name: str,
        *,
        record_of: Callable[[Path], Record] = made_in,
        spared: Sequence[Path] = (),
    ) -> None:
        if Path(name).name != name or name in ("", ".."):
            raise InputError(f"{printable(name)!r} cannot name a folder; accepted is a name without slashes")
        self.target = parent / name
        self.kept_aside: list[str] = []
        self.removed: list[str] = []
        self.unwanted: Sequence[str] = ()
        self.check: Callable[[], None] | None = None
        self._record_of, self._spared = record_of, spared
        self._hidden = HiddenFolder(parent)
        self._shown = printable(self.target)
        self._through_link = False
        # An interrupt may come between any two instructions, even on the way into the with statement, or out
        # of it: then the folder goes with this object, or with the program.
        self._last_resort = weakref.finalize(self, self._hidden.remove)

    @property
    def path(self) -> Path:
        """Where the files are written. Raises ValueError outside the statement."""
        return self._hidden.folder.place

    def __enter__(self) -> Self:
        with _explained(f"write into the folder {self._shown}"):
            self._through_link = self._examine_target()
            remove_leftovers(self.target.parent)
            self._hidden.make()
            self._refuse_other_file_system()
        return self

    def _examine_target(self) -> bool:
        """Return whether the target is a link; InputError for what cannot be, or should not be, written into."""
        if self.target.exists() and not self.target.is_dir():
            raise InputError(f"cannot write into the folder {self._shown}: it is a file; name another folder")
        if not self.target.is_symlink():
            return False
        if hasattr(os, "geteuid") and self.target.lstat().st_uid not in (os.geteuid(), 0):
            raise InputError(
                f"cannot write into the folder {self._shown}: it is another user's link; name another folder"
            )
        if not self.target.exists():
            raise InputError(f"cannot write into the folder {self._shown}: it is a link that leads nowhere")
        return True

    def _refuse_other_file_system(self) -> None:
        """Files can be moved, and not only copied, within one file system alone."""
        if self.target.exists() and self.target.stat().st_dev != self._hidden.folder.status.st_dev:
            self._hidden.remove()
            raise InputError(
                f"cannot write into the folder {self._shown}: it is on another disk than the folder that holds it; "
                "accepted: an --out on that disk"
            )

    def refuse_what_is_not_ours(self, names: Iterable[str]) -> None:
        """Raise InputError now, and not after the work, if one of these files may not be replaced."""
        with _explained(f"write into the folder {self._shown}"):
            if self.target.is_dir():
                changed_files(self.target, names, self._record_of(self.target), self._spared)

    def refuse_without_room(self, size: int) -> None:
        """Raise OutputError if ``size`` bytes, which will be written, are more than the disk has left."""
        free = shutil.disk_usage(self.path).free
        if size > free:
            needs = f"needs {math.ceil(size / 1e6)} MB, and {free // 10**6} MB are free there"
            raise OutputError(f"cannot write into the folder {self._shown}: the result {needs}")

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        try:
            if error is None:
                with _explained(f"write into the folder {self._shown}"):
                    self._publish()
            elif isinstance(error, OSError) and self._is_ours(error):
                with _explained(f"write into the folder {self._shown}"):
                    raise error
        finally:
            self._hidden.remove()
            self._last_resort.detach()

    def _is_ours(self, error: OSError) -> bool:
        """Whether ``error`` came of writing the files of this result."""
        if error.filename is None:
            return error.errno in _STORAGE_ERRORS
        return self.path in Path(os.fsdecode(error.filename)).parents

    def _publish(self) -> None:
        publication = Publication(
            self._hidden.folder,
            self._hidden.parent,
            self.target.name,
            self._record_of,
            self._spared,
            self.check,
            self.unwanted,
            self._through_link,
        )
        self.kept_aside = publication.publish()
        self.removed = publication.removed


def sound_bytes(frames: int, channels: int) -> int:
    """Return how many bytes the sound of a file takes that `AudioWriter` writes."""
    return frames * channels * 3


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
            path.open("wb").close()  # names the cause, where libsndfile knows but "System error"
        with self._explained_by_libsndfile():
            self._sound = soundfile.SoundFile(
                file_name(path),
                "w",
                sample_rate,
                channels,
                "PCM_24",
                format="RF64" if sound_bytes(self.frames, self.channels) > _RIFF_BYTES else "WAV",
            )

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
        if self.path.stat().st_size < sound_bytes(self.frames, self.channels):
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
