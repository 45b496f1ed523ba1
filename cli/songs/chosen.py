"""The songs, or the one rig, that a command on stage was given, with what its options change."""

from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING

from thumbline.dsp.errors import InputError, printable

if TYPE_CHECKING:  # loading it takes longer than starting the engine that `live` starts before it
    from thumbline.dsp.rig.model import Rig


def settings_of(rig_file: Path | None, set_file: Path | None, changes: Mapping[str, object]) -> list[tuple[str, "Rig"]]:
    """Load the rig or the songs, and apply what the command line says to each.

    Parameters
    ----------
    rig_file, set_file
        At most one of them; with neither, the default rig.
    changes
        Values by the key of the rig, such as ``"midi.port"``; None changes nothing.

    Returns
    -------
    list of tuple of str and Rig
        Name and rig of each song.

    Raises
    ------
    InputError
        If both files are given, one cannot be read, or a value is not accepted.
    """
    from thumbline.dsp.rig.file import load_rig
    from thumbline.dsp.rig.model import Rig

    if rig_file is not None and set_file is not None:
        raise InputError("--rig and --set are both given; accepted: one of them (a set names its own rigs)")
    if set_file is not None:
        from thumbline.dsp.rig.set_file import load_set

        settings = [(song.name, song.rig) for song in load_set(set_file)]
    else:
        settings = [("", Rig()) if rig_file is None else (printable(rig_file.stem), load_rig(rig_file))]
    given = {key: value for key, value in changes.items() if value is not None}
    return [(name, rig.changed(given, "the command line")) for name, rig in settings]
