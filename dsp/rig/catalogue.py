"""Every setting of the rig, explained: read from the fields of the models, so no second list can disagree.

A *key* is a path such as ``detect.on_db`` or ``mutes.modules[0].channel``. In the table of settings the keys
carry no indices (``mutes.modules.channel``); wherever a key is asked for, indices may be given.
"""

import difflib
import json
import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import cache
from types import UnionType
from typing import Annotated, Any, Literal, Union, get_args, get_origin, get_type_hints

from pydantic import BaseModel
from pydantic.fields import FieldInfo

from thumbline.dsp.errors import InputError
from thumbline.dsp.rig.former_words import todays_key
from thumbline.dsp.rig.model import Foot, Rig

MODULES = "mutes.modules"
FEET = "feet"
TABLES = (MODULES, FEET)
"""Keys under which a rig holds any number of tables, each with the same settings."""
LONGEST_SHOWN = 60
"""Characters of a value shown in a message."""


@dataclass(frozen=True)
class Setting:
    """One key of the rig file."""

    key: str
    """Path without indices, such as ``detect.on_db``."""
    meaning: str
    """What it means to a guitarist."""
    annotation: Any
    """The type of the field, which says what is accepted."""
    default: Any
    """The value if the file leaves the key out, for a six-string guitar in standard tuning."""

    @property
    def accepted(self) -> str:
        """What may be written there, in words."""
        return accepted(self.annotation)


@cache
def all_settings() -> Mapping[str, Setting]:
    """Return every setting by key, in the order of the rig file."""
    table: dict[str, Setting] = {}
    for name, section in _sections():
        if name == FEET:
            hint = get_type_hints(Rig, include_extras=True)[FEET]
            table[FEET] = Setting(FEET, Rig.model_fields[FEET].description or "", hint, Rig().feet)
        table |= _settings_of(section, name)
    return table


@cache
def all_sections() -> Mapping[str, str]:
    """Return what each section is for, by name, in the order of the rig file."""
    return {name: type(section).__doc__ or "" for name, section in _sections()}


def _sections() -> Iterator[tuple[str, BaseModel]]:
    rig = Rig()
    for name in Rig.model_fields:
        yield name, Foot() if name == FEET else getattr(rig, name)
        if name == "mutes":
            yield MODULES, rig.mutes.modules[0]


def _settings_of(section: BaseModel, prefix: str) -> dict[str, Setting]:
    hints = get_type_hints(type(section), include_extras=True)
    return {
        f"{prefix}.{name}": Setting(f"{prefix}.{name}", field.description or "", hints[name], getattr(section, name))
        for name, field in type(section).model_fields.items()
    }


def accepted(annotation: Any, inside: int = 0) -> str:
    """Say in words what a field's type accepts; with ``inside``, what items that deep in its lists may be.

    An empty string means that this branch of the type has no items so deep.
    """
    kind = get_args(annotation)[0] if get_origin(annotation) is Annotated else annotation
    branches = get_args(kind)
    if get_origin(kind) in (Union, UnionType):
        return " or ".join(filter(None, (accepted(branch, inside) for branch in branches)))
    if get_origin(kind) is tuple:
        item = branches[0]
        return accepted(item, inside - 1) if inside else f"{_note(annotation)}: {accepted(item)}"
    if inside:
        return ""
    if get_origin(kind) is Literal:
        return " or ".join(toml_like(word) for word in branches)
    if kind is bool:
        return "true or false"
    if kind in (int, float):
        return _number_in_words(annotation, kind)
    return _note(annotation) or "a table of settings"


def _number_in_words(annotation: Any, kind: type) -> str:
    limits = [limit for info in _field_infos(annotation) for limit in info.metadata]
    low = [limit.ge for limit in limits if hasattr(limit, "ge")]
    high = [limit.le for limit in limits if hasattr(limit, "le")]
    note = _note(annotation)
    if not (low and high):
        return note
    words = "a whole number, " if kind is int else ""
    return f"{words}{low[0]:g} to {high[0]:g}" + (f" ({note})" if note else "")


def _note(annotation: Any) -> str:
    return next((info.description for info in _field_infos(annotation) if info.description), "")


def _field_infos(annotation: Any) -> list[FieldInfo]:
    return [item for item in getattr(annotation, "__metadata__", ()) if isinstance(item, FieldInfo)]


def toml_like(value: Any) -> str:
    """Show a value much as a rig file would, cut to one short line."""
    try:
        shown = json.dumps(value, ensure_ascii=False, default=str)
    except (ValueError, RecursionError):  # thousands of digits, or of tables in tables
        shown = "larger than can be shown"
    return shown if len(shown) <= LONGEST_SHOWN else shown[: LONGEST_SHOWN - 3] + "..."


def without_indices(key: str) -> str:
    """Return ``key`` as the table has it: ``mutes.modules[0].channel`` becomes ``mutes.modules.channel``."""
    return re.sub(r"\[\d*\]", "", key.strip())


def suggestion(key: str) -> str:
    """Return "did you mean ...?" for an unknown key, or if none is near, what is accepted beside it."""
    parent, _, name = key.rpartition(".")
    every = dict.fromkeys([*all_sections(), *all_settings()])
    beside = [known for known in every if known.rpartition(".")[0] == parent]
    by_name: dict[str, str] = {}
    for known in [*beside, *all_settings()]:  # of two with the same name, what is beside it comes first
        by_name.setdefault(known.rpartition(".")[2], known)
    near = difflib.get_close_matches(name, by_name, 1, 0.65)
    if near:
        return f"did you mean {by_name[near[0]]}?"
    return f"accepted: {', '.join(beside or [s for s in all_sections() if s != MODULES])}"


def describe(key: str) -> str:
    """Explain one setting in a few lines, or a section and then each of its settings.

    Raises InputError, which names the nearest key, for one that does not exist.
    """
    plain = todays_key(without_indices(key))
    setting, section = all_settings().get(plain), all_sections().get(plain)
    if setting is None and section is None:
        raise InputError(f"{toml_like(key)} is not a setting; {suggestion(plain)}")
    lines = [plain]
    if section is not None:
        lines.append(f"  {section}")
    inside = [known for known in all_settings() if known.rpartition(".")[0] == plain]
    if setting is not None:
        lines += [f"  {setting.meaning}", f"  Accepted: {setting.accepted}"]
        if not inside:
            lines.append(f"  Default: {toml_like(setting.default)}")
    return "\n\n".join(["\n".join(lines), *map(describe, inside)])
