"""Change settings in a rig file and leave everything else in it as it is: comments, order, layout, line ends."""

import os
import re
import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from thumbline.dsp.errors import InputError
from thumbline.dsp.rig.file import load_rig, rig_from_dict, rig_text, write_rig
from thumbline.dsp.rig.former_words import KEYS, rename
from thumbline.dsp.rig.model import Rig

#: What a note about a change begins with, so that the next change can replace it.
NOTE_MARK = "# Changed by "


def edited_text(text: str, changes: Mapping[str, object], notes: Mapping[str, str] | None = None) -> str:
    """Return rig file ``text`` with ``changes``, by key such as ``detect.on_db``.

    ``notes`` maps keys to who changed it, and why; each is written as a comment line above the setting, in place of an
    earlier one of its kind. Lists keep the comments inside them if the number of items stays. ``text`` must be TOML.
    """
    import tomlkit

    document = tomlkit.parse(_with_todays_keys(text, changes))
    for key, value in changes.items():
        section, name = key.split(".")
        if section not in document:
            document.add(section, tomlkit.table())
        table: Any = document[section]
        rename(section, table)
        old = table.get(name)
        if not _replaced_in_place(old, value):
            table[name] = _plain(value)
    return _with_notes(tomlkit.dumps(document), {key: (notes or {})[key] for key in changes if key in (notes or {})})


def _replaced_in_place(old: Any, value: object) -> bool:
    """Replace the numbers of a list one by one; False if one of them is not a list, or not of as many numbers."""
    if not isinstance(old, list) or not isinstance(value, list | tuple) or len(old) != len(value):
        return False
    if not all(isinstance(item, int | float) for item in value):
        return False
    for index, item in enumerate(value):
        if old[index] != item:
            old[index] = item
    return True


def _plain(value: object) -> object:
    return [_plain(item) for item in value] if isinstance(value, list | tuple) else value


def _with_todays_keys(text: str, changes: Mapping[str, object]) -> str:
    """Give former keys on a line of their own, in sections that change, their names of today."""
    lines, section = text.splitlines(keepends=True), ""
    for index, line in enumerate(lines):
        header = re.match(r"\s*\[+\s*([\w.]+)\s*\]+", line)
        section = header.group(1) if header else section
        for former, todays in KEYS.get(section, {}).items():
            if f"{section}.{todays}" in changes:
                lines[index] = re.sub(rf"^(\s*){former}(\s*=)", rf"\g<1>{todays}\g<2>", lines[index])
    return "".join(lines)


def _with_notes(text: str, notes: Mapping[str, str]) -> str:
    """Write each note above its setting, if that has a line of its own in its section."""
    lines = text.splitlines(keepends=True)
    for key, note in notes.items():
        section, name = key.split(".")
        inside = False
        for index, line in enumerate(lines):
            header = re.match(r"\s*\[+\s*([\w.]+)\s*\]+", line)
            inside = header.group(1) == section if header else inside
            if inside and re.match(rf"\s*{name}\s*=", line):
                end = "\r\n" if line.endswith("\r\n") else "\n"
                first = index - 1 if index and lines[index - 1].startswith(NOTE_MARK) else index
                lines[first:index] = [NOTE_MARK + " ".join(note.split()) + end]
                break
    return "".join(lines)


def save_changes(
    source: str | os.PathLike[str] | None,
    target: str | os.PathLike[str],
    rig: Rig,
    changes: Mapping[str, object],
    notes: Mapping[str, str] | None = None,
) -> Rig:
    """Write the rig file ``source`` with ``changes`` to ``target``, which may be the same; return the rig in it.

    Without a source, all of ``rig`` is written with the changes in it. The file appears whole or not at all. Raises
    InputError if the source cannot be read, the target cannot be written, or a change is not accepted.
    """
    if source is None:
        data: dict[str, Any] = rig.model_dump()
        for key, value in changes.items():
            section, name = key.split(".")
            data[section][name] = value
        text = _with_notes(rig_text(rig_from_dict(data, os.fspath(target))), notes or {})
    else:
        load_rig(source)  # says in words what is wrong with it
        text = edited_text(Path(source).read_bytes().decode("utf-8-sig"), changes, notes)
    try:
        written = rig_from_dict(tomllib.loads(text), os.fspath(target))
    except ValueError as error:
        raise InputError(
            f"{os.fspath(source or target)}: its layout cannot be edited ({error}); accepted: one line per setting"
        ) from None
    write_rig(target, text)
    return written
