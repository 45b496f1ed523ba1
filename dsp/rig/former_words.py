"""Words of earlier rigs and sets, read as those of today, so that no file of a player's grows old.

To a guitarist an open string is an unfretted one, a setting a key of the rig, and a hold what a foot does.
"""

from collections.abc import Mapping, MutableMapping
from typing import Any

#: Former keys by section, with their names of today.
KEYS: Mapping[str, Mapping[str, str]] = {
    "choice": {"hold_ms": "shortest_ms"},
    "mutes.modules": {"open_value": "unmuted_value", "closed_value": "muted_value"},
}
#: Former values by key of today, with their words of today.
VALUES: Mapping[str, Mapping[str, str]] = {
    "choice.silence": {"open all": "unmute all", "close all": "mute all"},
    "guitar.strings": {"rest": "others"},
    "mutes.order": {"open first": "unmute first", "close first": "mute first"},
    "feet.action": {
        "all open": "unmute all",
        "next setting": "next song",
        "previous setting": "previous song",
        "setting": "song",
    },
}


def todays_key(key: str) -> str:
    """Return a key, such as ``choice.hold_ms``, under its name of today."""
    section, _, name = key.rpartition(".")
    return f"{section}.{todays}" if (todays := KEYS.get(section, {}).get(name)) else key


def todays_value(key: str, value: Any) -> Any:
    """Return what stands under ``key`` in the word of today; all else as it is."""
    return VALUES.get(key, {}).get(value, value) if isinstance(value, str) else value


def in_todays_words(rig: Mapping[str, Any]) -> dict[str, Any]:
    """Return the tables of a rig in the words of today; what has another shape is passed on as it is.

    A former key beside its name of today stays, to be refused as unknown: which of the two is meant cannot be told.
    """
    return {section: _section(section, content) for section, content in rig.items()}


def _section(name: str, content: Any) -> Any:
    if isinstance(content, list | tuple):
        return type(content)(_section(name, item) for item in content)
    if not isinstance(content, Mapping):
        return content
    renamed = dict(content)
    rename(name, renamed)
    return {
        key: _section(f"{name}.{key}", value) if f"{name}.{key}" in KEYS else todays_value(f"{name}.{key}", value)
        for key, value in renamed.items()
    }


def rename(section: str, table: MutableMapping[str, Any]) -> None:
    """Give the former keys in a section's table their names of today, unless those stand beside them."""
    for former, todays in KEYS.get(section, {}).items():
        if former in table and todays not in table:
            table[todays] = table.pop(former)
