"""Files that appear whole or not at all."""

import contextlib
import os
import stat
import tempfile
from pathlib import Path

from thumbline.dsp.errors import InputError, OutputError


def write_whole(path: str | os.PathLike[str], content: bytes) -> None:
    """Write ``content`` to ``path`` whole or not at all: to a temporary file beside it that then replaces it.

    Links are followed, permissions kept. Raises InputError if something there may not be
    replaced, OutputError if writing fails, and leaves what was there.
    """
    name = os.fspath(path)
    try:
        target = Path(os.path.realpath(path))
        mode = _permissions(target, name)
        descriptor, temporary = tempfile.mkstemp(prefix=f".{target.name}.", suffix=".part", dir=target.parent)
        try:
            with os.fdopen(descriptor, "wb") as file:
                file.write(content)
                file.flush()
                os.fsync(file.fileno())
            Path(temporary).chmod(mode)
            Path(temporary).replace(target)
        except BaseException:
            with contextlib.suppress(OSError):
                Path(temporary).unlink()
            raise
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or " ".join(str(error).split())
        raise OutputError(f"{name}: cannot be written ({reason}); accepted: a file in a writable folder") from None


def _permissions(target: Path, name: str) -> int:
    """Return the mode of the new file: that of the one it replaces, or what the user's umask leaves."""
    if not target.exists():
        umask = os.umask(0)
        os.umask(umask)
        return 0o666 & ~umask
    if not target.is_file():
        raise InputError(f"{name}: is no regular file; accepted: a file that may be replaced")
    if not os.access(target, os.W_OK):
        raise InputError(f"{name}: is write-protected; accepted: a file that may be replaced")
    return stat.S_IMODE(target.stat().st_mode)
