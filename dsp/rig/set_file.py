"""Set files: the songs of an evening, each with what differs from a common rig.

::

    base = "rig.toml"            # the rig that each song changes; beside the set file unless it says otherwise

    [[songs]]
    name = "Slack Water"
    bass = { interval = -24 }    # only what differs from the base

    [[songs]]
    name = "Lantern Walk"
    rig = "lantern.toml"         # or a rig of its own

The guitar and the stage are the same for all songs, so a song changes neither. Sets that call their songs by the
former word, ``[[settings]]``, are read as well.
"""

import os
from collections.abc import Mapping, Sequence
from operator import attrgetter
from pathlib import Path
from typing import Any, NamedTuple

from thumbline.dsp.errors import InputError
from thumbline.dsp.files.text_files import read_toml
from thumbline.dsp.midi.foot_controller import MOST_SONGS
from thumbline.dsp.rig.catalogue import toml_like
from thumbline.dsp.rig.file import load_rig, rig_from_dict
from thumbline.dsp.rig.former_words import in_todays_words
from thumbline.dsp.rig.model import Rig

#: Sections that are the same in every song: the strings, how they come in, and which devices are plugged in.
SHARED = ("input", "live", "midi", "feet")
#: What songs were called once.
FORMERLY = "settings"
#: Bytes of a name in UTF-8, at most.
LONGEST_NAME = 64


class Song(NamedTuple):
    """One song of a set."""

    name: str
    rig: Rig


def load_set(path: str | os.PathLike[str]) -> list[Song]:
    """Read the set file at ``path``: 1 to 32 songs in order, their names all different.

    Raises InputError, naming the file, the song, what was received and what is accepted.
    """
    return songs_in(read_toml(path, "a set file"), Path(path))


def songs_in(content: Mapping[str, Any], file: Path) -> list[Song]:
    """Return the songs in the content of the set file ``file``; raises InputError as :func:`load_set` does."""
    table = dict(content)
    if "songs" not in table and FORMERLY in table:
        table["songs"] = table.pop(FORMERLY)
    if unknown := [key for key in table if key not in ("base", "songs")]:
        raise InputError(f"{file}: {toml_like(unknown[0])} is not known; accepted: base, songs")
    base = _base(file, table.get("base", ""))
    entries = table.get("songs")
    if not isinstance(entries, list) or not 1 <= len(entries) <= MOST_SONGS:
        count = len(entries) if isinstance(entries, list) else 0
        raise InputError(f"{file}: has {count} songs; accepted: 1 to {MOST_SONGS}, each under [[songs]]")
    songs: list[Song] = []
    for index, entry in enumerate(entries):
        song = _song(file, f"songs[{index}]", entry, base)
        if song.name in (other.name for other in songs):
            raise InputError(f"{file}: songs[{index}].name is {toml_like(song.name)} again; accepted: each once")
        songs.append(song)
    require_one_guitar(songs, SHARED, f"{file}: ")
    return songs


def _base(file: Path, name: Any) -> dict[str, Any]:
    """Return the rig that the songs change, as far as it says anything."""
    if not isinstance(name, str):
        raise InputError(f"{file}: base is {toml_like(name)}; accepted: the name of a rig file")
    if not name:
        return {}
    base = read_toml(file.parent / name, "a rig file")
    rig_from_dict(base, str(file.parent / name))  # says what is wrong with it under its own name
    return in_todays_words(base)


def _song(file: Path, key: str, entry: Any, base: dict[str, Any]) -> Song:
    if not isinstance(entry, dict):
        raise InputError(f"{file}: {key} is {toml_like(entry)}; accepted: a table with a name")
    changes = dict(entry)
    name = changes.pop("name", None)
    if not (isinstance(name, str) and name.strip() and name.isprintable() and len(name.encode()) <= LONGEST_NAME):
        shown = "missing" if name is None else toml_like(name)
        raise InputError(f"{file}: {key}.name is {shown}; accepted: a name of 1 to {LONGEST_NAME} bytes in one line")
    own = changes.pop("rig", None)
    if own is None:
        return Song(name, rig_from_dict(_merged(base, in_todays_words(changes)), f"{file}: {name}"))
    if not isinstance(own, str) or not own:
        raise InputError(f"{file}: {key}.rig is {toml_like(own)}; accepted: the name of a rig file")
    if changes:
        raise InputError(f"{file}: {key} has a rig of its own and {next(iter(changes))}; accepted: one or the other")
    return Song(name, load_rig(file.parent / own))


def _merged(base: Mapping[str, Any], changes: Mapping[str, Any]) -> dict[str, Any]:
    """Return ``base`` with ``changes`` in it; tables are gone into, all else is replaced."""
    merged = dict(base)
    for key, value in changes.items():
        old = merged.get(key)
        merged[key] = _merged(old, value) if isinstance(old, dict) and isinstance(value, dict) else value
    return merged


def require_one_guitar(songs: Sequence[tuple[str, Rig]], keys: Sequence[str], source: str = "") -> None:
    """Raise InputError unless named songs have as many strings and the same values of ``keys``.

    A key is a section or one key of it, ``section.key``. The message begins with ``source``.
    """
    first_name, first = songs[0]
    for name, rig in songs[1:]:
        if rig.string_count != first.string_count:
            raise InputError(
                f"{source}{toml_like(name)} has {rig.string_count} strings; accepted: {first.string_count}, "
                f"as {toml_like(first_name)} has"
            )
        for key in keys:
            value = attrgetter(key)
            if value(rig) != value(first):
                raise InputError(
                    f"{source}{key} of {toml_like(name)} differs from that of {toml_like(first_name)}; "
                    "accepted: the same in every song of a set"
                )
