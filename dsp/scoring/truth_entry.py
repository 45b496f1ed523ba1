"""The notes of a truth file before they are checked."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from thumbline.dsp.errors import printable

#: The latest time that is believed, in seconds: half a day.
LATEST_S = 43_200.0
ACCEPTED = "a table (CSV) of notes, a Standard MIDI File, or JAMS"


@dataclass(frozen=True)
class Entry:
    """A note as a file has it, not yet checked: ``place`` is where it stands there, for messages.

    ``values`` has ``string``, ``onset_s``, ``offset_s`` and one of ``midi``, ``hz`` and ``note``; ``fades_s`` and
    ``faded_s`` may be missing.
    """

    place: str
    values: Mapping[str, Any]


def shown(value: object) -> str:
    """Return a value as a message shows it: in one line, and not at length."""
    text = printable(value if isinstance(value, str) else repr(value))
    return text if len(text) <= 40 else text[:37] + "..."
