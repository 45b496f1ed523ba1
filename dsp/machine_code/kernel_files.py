"""Files of compiled code: each is checked before it is loaded, and what does not fit is thrown away and made anew.

Numba keeps machine code as pickles, which it loads as they are, beside an index that every process reads, changes and
writes back: a damaged file ends the program or crashes it, and two processes that compile at once can make an index
that names the wrong file. Here there is no index. One file holds one function compiled for one signature, with what it
is the answer to, under a digest of content and place: a file that was cut, changed, exchanged or moved from elsewhere
does not match. :func:`install` has all cached functions use this, those of libraries too.
"""

import hashlib
import logging
import os
import pickle
import shutil
import sys
import tempfile
from functools import cache
from pathlib import Path
from typing import Any

import llvmlite
import numba
import numpy as np
from numba.core import caching
from numba.core.serialize import dumps

from thumbline.dsp.errors import printable
from thumbline.dsp.machine_code.kernel_cache import folder_in_use
from thumbline.dsp.machine_code.private_folder import is_own_file

_log = logging.getLogger(__name__)
_numba_caching: Any = caching

#: What machine code depends on beside its source: the form of these files and the versions of what makes it.
_MADE_WITH = (1, sys.version, numba.__version__, llvmlite.__version__, np.__version__)
_DIGEST_SIZE = hashlib.sha256().digest_size
#: A file that is not one must not be waited for, nor a link followed.
_READ = os.O_RDONLY | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_NOFOLLOW", 0) | getattr(os, "O_BINARY", 0)


class Locator(_numba_caching._SourceFileBackedLocatorMixin, _numba_caching._CacheLocator):
    """Tells Numba that everything compiled is kept in one folder, made when something is written."""

    def __init__(self, function: Any, source: str):
        self._py_file = source
        self._lineno = function.__code__.co_firstlineno

    def ensure_cache_path(self) -> None:
        """Leave the folder to :meth:`KernelFiles.save`, which does without."""

    def get_cache_path(self) -> str:
        """Return the folder for functions of the same source folder; relative to nothing if nothing is kept."""
        return str((folder_in_use() or Path()) / self.get_suitable_cache_subpath(self._py_file))


class KernelFiles(_numba_caching.IndexDataCacheFile):
    """Files of one function, in place of Numba's index and data files; the arguments are Numba's."""

    def __init__(self, cache_path: str, filename_base: str, source_stamp: object):
        self._folder = Path(cache_path)
        self._base = filename_base
        self._stamp = source_stamp
        self._kept = folder_in_use() is not None

    def flush(self) -> None:
        """Forget all that was compiled of this function."""
        for path in self._folder.glob(f"{self._base}.*.nbc"):
            path.unlink()

    def load(self, key: object) -> object | None:
        """Return what was saved for ``key``, None if that is not there or cannot be trusted."""
        if not self._kept:
            return None
        path = self._path(key)
        try:
            content = _read(path)
            if content is not None:
                return self._data(path, content, key)
        except (FileNotFoundError, NotADirectoryError):
            return None
        except OSError:
            pass
        _throw_away(path)
        _say(f"Compiled code in {self._folder.parent} was damaged; what does not fit is thrown away and compiled anew.")
        return None

    def save(self, key: object, data: object) -> None:
        """Keep ``data`` for ``key``; do without if there is no room."""
        if not self._kept:
            return
        path = self._path(key)
        content = dumps((self._stamp, key, data))
        try:
            _write(path, self._digest(path, content) + content)
        except OSError as error:
            _say(f"Compiled code cannot be kept in {self._folder.parent} ({error.strerror}): each start compiles anew.")

    def _path(self, key: object) -> Path:
        name = hashlib.sha256(repr((key, _MADE_WITH)).encode()).hexdigest()[:16]
        return self._folder / f"{self._base}.{name}.nbc"

    def _digest(self, path: Path, content: bytes) -> bytes:
        """Digest of what a file holds and where it belongs: version, source folder, function and signature."""
        place = "\0".join(path.parts[-3:])
        return hashlib.sha256(os.fsencode(place) + b"\0" + content).digest()

    def _data(self, path: Path, content: bytes, key: object) -> object | None:
        """Return the data in a file's content; None if it is of an older source. Raises OSError if it is damaged."""
        digest, content = content[:_DIGEST_SIZE], content[_DIGEST_SIZE:]
        if digest != self._digest(path, content):
            raise OSError
        stamp, saved_key, data = pickle.loads(content)
        return data if stamp == self._stamp and saved_key == key else None


def _read(path: Path) -> bytes | None:
    """Return the content of a file of ours; None if it is not a file, or others could have written to it."""
    descriptor = os.open(path, _READ)
    with open(descriptor, "rb") as file:  # noqa: PTH123  a descriptor is not a path
        return file.read() if is_own_file(os.fstat(descriptor)) else None


def _write(path: Path, content: bytes) -> None:
    """Write a file that only the user can read, whole or not at all, in place of whatever is there."""
    folder = path.parent
    if not folder.is_dir():
        folder.unlink(missing_ok=True)
        folder.mkdir(0o700, parents=True, exist_ok=True)
    descriptor, temporary = tempfile.mkstemp(prefix=f".{os.getpid()}-", dir=folder)  # mode 0600
    try:
        with open(descriptor, "wb") as file:  # noqa: PTH123
            file.write(content)
        try:
            Path(temporary).replace(path)
        except IsADirectoryError:
            shutil.rmtree(path)
            Path(temporary).replace(path)
    except BaseException:
        Path(temporary).unlink(missing_ok=True)
        raise


def _throw_away(path: Path) -> None:
    """Remove a damaged file, or whatever stands in its place, if it can be removed."""
    try:
        path.unlink()
    except OSError:
        shutil.rmtree(path, ignore_errors=True)


@cache
def _say(text: str) -> None:
    """Say something to the user, once."""
    _log.warning(printable(text))


def install() -> None:
    """Have Numba keep compiled code of all functions here from now on, in this process."""
    _numba_caching.IndexDataCacheFile = KernelFiles
    locators = _numba_caching.CacheImpl._locator_classes
    if Locator not in locators:
        locators.insert(0, Locator)
