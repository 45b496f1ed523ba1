"""The takes in a folder of takes, however deep: what a band has recorded in ten years.

A folder is one take if it was kept on stage, or holds several mono files and nothing else that sounds. Anything else is
gone through: each sound file of several channels is a take, and so is what folders in it hold. What Thumbline itself
has made, and what is hidden, is passed over.
"""

from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path
from typing import NamedTuple

import soundfile

from thumbline.dsp.errors import InputError, printable
from thumbline.dsp.files.made_files import made_in
from thumbline.dsp.files.mono_files import is_sound_name
from thumbline.dsp.files.sound_files import file_name
from thumbline.dsp.files.takes import kept_strings


class ArchivedTake(NamedTuple):
    """A take in an archive."""

    path: Path
    folder: Path  #: in which it lies, from the archive's own folder on


def takes_in(archive: Path) -> list[ArchivedTake]:
    """Return the takes in the folder ``archive``, in the order of their paths.

    Raises InputError if that is no folder, or holds none.
    """
    if not archive.is_dir():
        raise InputError(f"{printable(archive)} is no folder; accepted with --archive: folders of takes")
    try:
        found = [ArchivedTake(path, path.parent.relative_to(archive)) for path in _takes(archive, top=True)]
    except OSError as error:
        raise InputError(f"cannot look through {printable(archive)}: {error.strerror}") from error
    if not found:
        raise InputError(f"{printable(archive)} holds no take; accepted: sound files with one channel per string")
    return found


def _takes(folder: Path, *, top: bool = False) -> Iterator[Path]:
    if not top and (kept_strings(folder) is not None):
        yield folder
        return
    if made_in(folder):
        return
    entries = sorted(path for path in folder.iterdir() if not path.name.startswith("."))
    sounds = [path for path in entries if is_sound_name(path) and path.is_file()]
    several = [path for path in sounds if _channels(path) != 1]
    if len(sounds) > 1 and not several and not top:
        yield folder
        return
    for path in entries:
        if path in several:
            yield path
        elif path.is_dir() and not path.is_symlink():
            yield from _takes(path)


def _channels(path: Path) -> int:
    """Return how many channels a file has; 0 for one that cannot be read, which is told when its turn comes."""
    with suppress(soundfile.LibsndfileError, TypeError, OSError):
        return int(soundfile.info(file_name(path)).channels)
    return 0
