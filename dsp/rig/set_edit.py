"""Change one song in a set file and leave everything else in it as it is: comments, order, layout."""

import os
import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from thumbline.dsp.errors import InputError
from thumbline.dsp.files.atomic_write import write_whole
from thumbline.dsp.files.text_files import read_toml
from thumbline.dsp.rig.edit import save_changes
from thumbline.dsp.rig.model import Rig
from thumbline.dsp.rig.set_file import FORMERLY, load_set, songs_in


def save_in_set(path: str | os.PathLike[str], number: int, changes: Mapping[str, object]) -> Rig:
    """Write ``changes``, by key such as ``bass.level_db``, into song ``number`` (from 1) of the set file at ``path``.

    A song with a rig of its own has them written into that. Returns the song's rig as it is now. The file appears whole
    or not at all. Raises InputError if it cannot be read or written, has no such song, or a change is not accepted.
    """
    import tomlkit

    file = Path(path)
    songs = load_set(file)
    if not 1 <= number <= len(songs):
        raise InputError(f"{file}: has no song {number}; accepted: 1 to {len(songs)}")
    content = read_toml(file, "a set file")
    key = "songs" if "songs" in content else FORMERLY
    own = content[key][number - 1].get("rig")
    if own is not None:
        return save_changes(file.parent / own, file.parent / own, songs[number - 1].rig, changes)
    document = tomlkit.parse(file.read_bytes().decode("utf-8-sig"))
    entry: Any = document[key]
    song = entry[number - 1]
    for changed, value in changes.items():
        section, name = changed.split(".")
        if section not in song:
            song[section] = tomlkit.inline_table()
        song[section][name] = value
    text = tomlkit.dumps(document)
    try:
        written = songs_in(tomllib.loads(text), file)
    except ValueError as error:
        raise InputError(f"{file}: its layout cannot be edited ({error}); accepted: one line per setting") from None
    write_whole(file, text.encode(), None, "set file")
    return written[number - 1].rig
