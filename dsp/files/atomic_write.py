"""Files that appear whole or not at all."""

import os
import secrets
import shutil
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import BinaryIO

from thumbline.dsp.errors import InputError, OutputError

#: Says whether a file that is there may be replaced: is it of the kind that is written?
OfKind = Callable[[Path], bool]


def write_whole(path: str | os.PathLike[str], content: bytes, of_kind: OfKind | None = None, kind: str = "") -> None:
    """Write ``content`` to ``path`` whole or not at all: to a temporary file beside it that then replaces it.

    Links are followed; permissions are kept, and the owner where the system allows it. Of a file with several names
    (hard links) only this name gets the new content. Raises InputError if something there may not be replaced: no
    regular file, write-protected, or a file that is not ``of_kind``, which messages call ``kind``; OutputError if
    writing fails. It leaves what was there then.
    """
    with _replacing(path, of_kind, kind) as file:
        file.write(content)


def copy_whole(source: Path, path: str | os.PathLike[str], of_kind: OfKind | None = None, kind: str = "") -> None:
    """Copy the file ``source`` to ``path``, as `write_whole`."""
    with _replacing(path, of_kind, kind) as file, source.open("rb") as content:
        shutil.copyfileobj(content, file)


def refuse_other_kind(path: str | os.PathLike[str], of_kind: OfKind, kind: str) -> None:
    """Raise InputError if there is something at ``path`` that may not be replaced by a file of this kind."""
    try:
        _former(Path(path), os.fspath(path), of_kind, kind)
    except (OSError, ValueError) as error:
        raise _unwritable(os.fspath(path), error) from None


@contextmanager
def _replacing(path: str | os.PathLike[str], of_kind: OfKind | None, kind: str) -> Iterator[BinaryIO]:
    """A new file that takes the place of the one at ``path`` when the statement ends without an exception."""
    name = os.fspath(path)
    try:
        target = Path(path)
        if target.is_symlink():
            target = Path(os.path.realpath(path))
        former = _former(target, name, of_kind, kind)
        temporary = target.with_name(f".thumbline-{secrets.token_hex(8)}.part")  # short: names have a longest length
        descriptor = os.open(temporary, os.O_WRONLY | os.O_CREAT | os.O_EXCL | getattr(os, "O_BINARY", 0), 0o666)
        try:
            with os.fdopen(descriptor, "wb") as file:
                yield file
                file.flush()
                os.fsync(file.fileno())
            if former:
                _take_over(temporary, former)
            temporary.replace(target)
        except BaseException:
            with suppress(OSError):
                temporary.unlink()
            raise
        _write_out(target.parent)
    except (OSError, ValueError) as error:
        raise _unwritable(name, error) from None


def _unwritable(name: str, error: OSError | ValueError) -> OutputError:
    reason = getattr(error, "strerror", None) or " ".join(str(error).split())
    return OutputError(f"{name}: cannot be written ({reason}); accepted: a file in a writable folder")


def _former(target: Path, name: str, of_kind: OfKind | None, kind: str) -> os.stat_result | None:
    """Return what the system says of the file that is to be replaced; None if there is none."""
    if not target.exists():
        return None
    if not target.is_file():
        raise InputError(f"{name}: is not a regular file; accepted: a file that may be replaced")
    if not os.access(target, os.W_OK):
        raise InputError(f"{name}: is write-protected; accepted: a file that may be replaced")
    if of_kind and target.stat().st_size and not of_kind(target):
        raise InputError(f"{name}: exists and is not a {kind}; accepted: a new name, or a {kind} to replace")
    return target.stat()


def _take_over(temporary: Path, former: os.stat_result) -> None:
    """Give the new file the permissions of the former one, and its owner if we may."""
    if hasattr(os, "chown") and (former.st_uid, former.st_gid) != (os.geteuid(), os.getegid()):
        with suppress(OSError):
            os.chown(temporary, former.st_uid, former.st_gid)
    temporary.chmod(former.st_mode & 0o7777)  # last: a new owner clears some of them


def _write_out(folder: Path) -> None:
    """Have the system write out which names a folder holds, where it can."""
    if os.name == "posix":
        with suppress(OSError):
            descriptor = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
            try:
                os.fsync(descriptor)
            finally:
                os.close(descriptor)
