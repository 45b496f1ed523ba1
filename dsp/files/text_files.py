"""Files that a person or another program has written, read whole: only if they are files, and not of any size.

A pipe might never end, or never begin; a device such as /dev/zero has no end. A text of a hundred megabytes is not a
rig, and would take minutes to be read.
"""

import errno
import os
import re
import stat
import tomllib
from pathlib import Path
from typing import Any

from thumbline.dsp.errors import InputError, printable

#: Bytes of a rig, a set or a list of taps, at most: fifty times the longest that there is any use for.
LARGEST_SETTINGS = 1_000_000
#: Bytes of a file of notes, at most: twenty hours of six strings.
LARGEST_NOTES = 32_000_000
#: Parts of a key in TOML, at most; what tomllib takes to read one grows with their square.
MOST_PARTS = 32

_READ = os.O_RDONLY | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_NOCTTY", 0) | getattr(os, "O_BINARY", 0)


def read_whole(path: str | os.PathLike[str], largest: int) -> bytes:
    """Return the content of the file at ``path``, at most ``largest`` bytes.

    Raises OSError, its ``strerror`` fit for a message, if it cannot be read, is not a file, or is larger; ValueError
    for a null byte in the path.
    """
    descriptor = os.open(path, _READ)
    with open(descriptor, "rb") as file:  # noqa: PTH123  a descriptor is not a path
        mode = os.fstat(descriptor).st_mode
        if stat.S_ISDIR(mode):
            raise IsADirectoryError(errno.EISDIR, os.strerror(errno.EISDIR), os.fspath(path))
        if not stat.S_ISREG(mode):
            raise OSError(errno.EINVAL, "it is a pipe or a device", os.fspath(path))
        content = file.read(largest + 1)
    if len(content) > largest:
        raise OSError(errno.EFBIG, f"it has more than {largest / 1e6:g} MB", os.fspath(path))
    return content


def read_toml(path: str | os.PathLike[str], kind: str) -> dict[str, Any]:
    """Return the table in the TOML file at ``path``; ``kind`` names what it should be, such as "a rig file".

    Raises InputError, naming the file, if it cannot be read, is too large, is not UTF-8, or is not TOML (with the line
    number).
    """
    name = os.fspath(path)
    try:
        text = read_whole(path, LARGEST_SETTINGS).decode("utf-8-sig")  # some editors begin with a byte order mark
        _refuse_long_keys(text, name)
        return tomllib.loads(text)
    except UnicodeDecodeError as error:
        raise InputError(f"{name}: byte {error.start} is not UTF-8; accepted: TOML text in UTF-8") from None
    except OSError as error:
        raise InputError(f"{name}: cannot be read ({error.strerror}); accepted: {kind} (TOML)") from None
    except (ValueError, RecursionError) as error:  # ValueError: syntax, or a null byte in the path
        raise InputError(f"{name}: {' '.join(str(error).split())}; accepted: TOML 1.0") from None


def _refuse_long_keys(text: str, name: str) -> None:
    for number, line in enumerate(text.splitlines(), 1):
        if line.count(".") < MOST_PARTS or line.lstrip().startswith("#"):
            continue
        if any(piece.count(".") >= MOST_PARTS for piece in re.split(r"[=,{}\[\]]", line)):
            shown = printable(line.strip()[:20])
            raise InputError(
                f"{name}: line {number}: {shown}... has too many parts; accepted: keys of up to {MOST_PARTS}"
            )


def read_lines(path: Path) -> list[str]:
    """Return the lines of a text file in UTF-8. Raises as :func:`read_whole`, and UnicodeDecodeError."""
    return read_whole(path, LARGEST_SETTINGS).decode("utf-8-sig").splitlines()
