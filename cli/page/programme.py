"""What the page's process must know of a run, in a file beside the shared memory: its songs, and the key of tickets.

The console writes it, anew when a song is saved; the folder is the player's alone.
"""

import json
import os
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from thumbline.dsp.rig.model import Rig


@dataclass(frozen=True)
class Programme:
    """Name and rig of each song, and the key that tickets are signed with."""

    settings: list[tuple[str, Rig]]
    key: bytes


def programme_path(memory: Path) -> Path:
    """Where it stands."""
    return memory.with_name(memory.name + ".page")


def write_programme(memory: Path, settings: Sequence[tuple[str, Rig]], key: bytes) -> None:
    """Write it; a reader finds the old or the new. Raises OSError."""
    table = {"key": key.hex(), "settings": [[name, rig.model_dump(mode="json")] for name, rig in settings]}
    path = programme_path(memory)
    new = path.with_name(path.name + ".new")
    with os.fdopen(os.open(new, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600), "w", encoding="utf-8") as file:
        json.dump(table, file)
    new.replace(path)


def read_programme(memory: Path) -> Programme:
    """Read what :func:`write_programme` wrote. Raises OSError if there is nothing."""
    table = json.loads(programme_path(memory).read_text(encoding="utf-8"))
    settings = [(name, Rig.model_validate(rig)) for name, rig in table["settings"]]
    return Programme(settings, bytes.fromhex(table["key"]))
