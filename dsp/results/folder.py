"""A rendered folder, read back."""

import csv
import json
import math
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from thumbline.dsp.errors import InputError, printable
from thumbline.dsp.midi.mutes import MuteDecision
from thumbline.dsp.rig.file import rig_from_dict
from thumbline.dsp.rig.model import Rig

ACCEPTED = "accepted: a folder that `thumbline render` wrote"


@dataclass(frozen=True)
class FoundNote:
    """A row of `bassline.csv` or `notes.csv`; times in seconds from the first frame."""

    onset_s: float
    offset_s: float
    string: int
    midi: float


@dataclass(frozen=True)
class Result:
    """What a rendered folder holds of notes and decisions."""

    take: str
    seconds: float
    rig: Rig
    bassline: tuple[FoundNote, ...]
    notes: tuple[FoundNote, ...]
    mutes: tuple[MuteDecision, ...]


def read_result(folder: Path) -> Result:
    """Read the tables and the summary in ``folder``.

    Raises InputError, of one line that names the file and the place in it, if something is missing or damaged.
    """
    if not folder.is_dir():
        raise InputError(f"{printable(folder)}: is not a folder; {ACCEPTED}")
    summary = _summary(folder / "summary.json")
    rig = rig_from_dict(summary["rig"], f"{printable(folder / 'summary.json')}: rig")
    return Result(
        take=str(summary["take"]),
        seconds=float(summary["seconds"]),
        rig=rig,
        bassline=tuple(_notes(folder / "bassline.csv", rig.string_count)),
        notes=tuple(_notes(folder / "notes.csv", rig.string_count)),
        mutes=tuple(
            MuteDecision(time_s, _string(string, rig.string_count, place), open_ != 0.0)
            for place, (time_s, string, open_) in _rows(folder / "mutes.csv", ("time_s", "string", "open"))
        ),
    )


def _notes(path: Path, strings: int) -> list[FoundNote]:
    rows = _rows(path, ("onset_s", "offset_s", "string", "midi"))
    return [
        FoundNote(onset_s, offset_s, _string(string, strings, place), midi)
        for place, (onset_s, offset_s, string, midi) in rows
    ]


def _string(value: float, strings: int, place: str) -> int:
    if value != int(value) or not 1 <= value <= strings:
        raise InputError(f"{place}: string is {value:g}; accepted: a whole number, 1 to {strings}")
    return int(value)


def _summary(path: Path) -> dict[str, Any]:
    try:
        summary = json.loads(_text(path))
    except (ValueError, RecursionError):
        raise InputError(f"{printable(path)}: is not JSON; {ACCEPTED}") from None
    seconds = summary.get("seconds") if isinstance(summary, dict) else None
    good = isinstance(seconds, int | float) and 0.0 <= seconds < math.inf
    if not (good and isinstance(summary.get("rig"), dict) and isinstance(summary.get("take"), str)):
        raise InputError(f"{printable(path)}: lacks the take, its seconds or the rig; {ACCEPTED}")
    return summary


def _text(path: Path) -> str:
    try:
        return path.read_text("utf-8-sig")
    except OSError as error:
        raise InputError(f"{printable(path)}: cannot be read ({error.strerror}); {ACCEPTED}") from None
    except UnicodeDecodeError:
        raise InputError(f"{printable(path)}: is not text in UTF-8; {ACCEPTED}") from None


def _rows(path: Path, columns: tuple[str, ...]) -> list[tuple[str, tuple[float, ...]]]:
    """Return each row's place, for messages, and its values in these columns."""
    table = csv.DictReader(_text(path).splitlines())
    rows: list[tuple[str, tuple[float, ...]]] = []
    try:
        for row in table:
            place = f"{printable(path)}: line {table.line_num}"
            values = tuple(float(row[column]) for column in columns)
            if not all(map(math.isfinite, values)):
                raise ValueError
            rows.append((place, values))
        if not set(columns) <= set(table.fieldnames or ()):
            raise KeyError
    except KeyError:
        raise InputError(f"{printable(path)}: lacks one of the columns {', '.join(columns)}; {ACCEPTED}") from None
    except (ValueError, TypeError, csv.Error):
        place = f"{printable(path)}: line {table.line_num}"
        raise InputError(f"{place}: {', '.join(columns)} are not all numbers; {ACCEPTED}") from None
    return rows
