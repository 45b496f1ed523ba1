"""Rig files: TOML that a guitarist can read and edit, every key explained where it stands.

Reading gives a Rig, or one InputError line that names the file, the key, the value received and what is
accepted. Writing never leaves half a file: the new text stands beside the old until it is complete.
"""

import os
import textwrap
import tomllib
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from thumbline.dsp.errors import InputError
from thumbline.dsp.files.atomic_write import refuse_other_kind, write_whole
from thumbline.dsp.files.text_files import read_toml
from thumbline.dsp.rig.catalogue import (
    FEET,
    MODULES,
    TABLES,
    all_sections,
    all_settings,
    describe,
    toml_like,
    without_indices,
)
from thumbline.dsp.rig.messages import explain_errors
from thumbline.dsp.rig.model import Foot, Rig

__all__ = ["default_rig", "describe", "is_rig", "load_rig", "rig_from_dict", "rig_text", "write_rig"]

#: Bytes of a rig at most: more is something else.
LARGEST_RIG = 1 << 20

COMMENT_WIDTH = 100
HEADER = (
    "The rig: the settings of one guitar, its interface and its sound module. Every line may be left out; "
    "its default then counts. String 1 is the highest, string {count} the lowest, and lists with one value "
    "per string begin with string 1. For another number of strings leave those lists out, or begin with a "
    "new rig."
)


def load_rig(path: str | os.PathLike[str]) -> Rig:
    """Read the rig file at ``path``.

    Raises InputError, naming the file, if it is missing or unreadable, is not UTF-8, is not TOML (with the
    line number), or holds a setting that is unknown or not accepted.

    >>> import thumbline.dsp as tl
    >>> tl.load_rig("data/demo.toml").string_count
    6
    """
    return rig_from_dict(read_toml(path, "a rig file"), os.fspath(path))


def rig_from_dict(table: Mapping[str, object], source: str = "rig") -> Rig:
    """Build a rig from nested mappings as in the rig file.

    Raises InputError if a setting is unknown or not accepted; its message begins with ``source``.
    """
    try:
        return Rig.model_validate(dict(table))
    except ValidationError as error:
        raise InputError(f"{source}: {explain_errors(error)}") from None


def default_rig(rig: Rig) -> Rig:
    """Return the default settings for the strings of ``rig``."""
    return rig_from_dict({"instrument": {"strings": list(rig.instrument.strings)}})


def rig_text(rig: Rig, reasons: Mapping[str, str] | None = None) -> str:
    """Return ``rig`` as commented TOML with every key in it; reading it back gives an equal rig.

    ``reasons`` maps keys, such as ``detect.on_db`` or ``mutes.modules[0].channel``, to why the value is what
    it is; the reason is written above the value. Raises KeyError for a key that is not a setting of this rig.
    """
    left = dict(reasons or {})
    values, defaults = rig.model_dump(), default_rig(rig).model_dump()
    examples = {MODULES: defaults["mutes"]["modules"][0], FEET: Foot().model_dump()}
    parts = [_comment(HEADER.format(count=rig.string_count))]
    for section, table in values.items():
        if section in TABLES:
            parts += _tables(section, table, examples[section], left)
            continue
        parts += ["", f"[{section}]", _comment(all_sections()[section])]
        for name, value in table.items():
            key = f"{section}.{name}"
            if key in TABLES:
                parts += _tables(key, value, examples[key], left)
            else:
                parts += _entry(key, value, defaults[section][name], left.pop(key, None))
    if left:
        raise KeyError(f"reasons for keys that this rig lacks: {', '.join(left)}")
    return "\n".join(parts) + "\n"


def _tables(
    name: str, tables: tuple[dict[str, Any], ...], default: dict[str, Any], reasons: dict[str, str]
) -> Iterator[str]:
    """Write any number of tables with the same keys; the keys are explained in the first.

    TOML cannot write an empty array of tables here, since a key after a table would be part of it; so if there are
    none, a commented-out example is written.
    """
    yield from ["", _comment(all_settings()[name].meaning), *_reason(reasons.pop(name, None))]
    if not tables and name == FEET:
        yield _comment("There is none. This is what one looks like, with its defaults:")
        lines = "\n".join(_tables(name, (default,), default, {})).split("\n")[2:]
        yield from (line if line.startswith("#") or not line else f"# {line}" for line in lines)
        return
    if not tables:
        yield f"{name.rpartition('.')[2]} = []"
    for index, table in enumerate(tables):
        yield from ["", f"[[{name}]]"]
        if index == 0:
            yield _comment(all_sections()[name])
        for setting, value in table.items():
            key = f"{name}[{index}].{setting}"
            yield from _entry(key, value, default[setting], reasons.pop(key, None), explained=index == 0)


def _entry(key: str, value: Any, default: Any, reason: str | None, explained: bool = True) -> Iterator[str]:
    setting = all_settings()[without_indices(key)]
    if explained:
        yield from ["", _comment(setting.meaning)]
        yield _comment(f"Accepted: {setting.accepted}. Default: {toml_like(default)}.")
    yield from _reason(reason)
    yield f"{setting.key.rpartition('.')[2]} = {_toml(value)}"


def _reason(reason: str | None) -> Iterator[str]:
    if reason:
        yield _comment(f"Reason: {reason}")


def _comment(text: str) -> str:
    """Return ``text`` as comment lines, without the control characters that TOML allows in none."""
    printable = "".join(c if c.isprintable() else " " for c in text)
    return textwrap.fill(printable, COMMENT_WIDTH, initial_indent="# ", subsequent_indent="# ", break_on_hyphens=False)


def _toml(value: Any) -> str:
    """Return ``value`` in TOML; a matrix gets a line a row."""
    import tomlkit

    if isinstance(value, tuple) and value and isinstance(value[0], tuple):
        rows = "".join(f"  {_toml(row)},\n" for row in value)
        return f"[\n{rows}]"
    return tomlkit.item(list(value) if isinstance(value, tuple) else value).as_string()


def is_rig(path: Path) -> bool:
    """Whether a file is a rig, perhaps with settings that are not accepted: TOML with no sections but a rig's."""
    try:
        with path.open("rb") as file:
            content = file.read(LARGEST_RIG + 1)
        return (
            len(content) <= LARGEST_RIG and tomllib.loads(content.decode("utf-8-sig")).keys() <= all_sections().keys()
        )
    except (OSError, ValueError, RecursionError):
        return False


def refuse_other_than_rig(path: str | os.PathLike[str]) -> None:
    """Raise InputError if there is something at ``path`` that a rig must not replace."""
    refuse_other_kind(path, is_rig, "rig")


def write_rig(path: str | os.PathLike[str], text: str, *, replace_any: bool = False) -> None:
    """Write the text of a rig to ``path`` whole or not at all (see
    :func:`~thumbline.dsp.files.atomic_write.write_whole`).

    Raises InputError if a file is there that is not a rig, unless ``replace_any``.
    """
    write_whole(path, text.encode(), None if replace_any else is_rig, "rig")
