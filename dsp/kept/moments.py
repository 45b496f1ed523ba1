"""Times of day in a kept take: "what happened at 12:31?"."""

import csv
from pathlib import Path

from thumbline.dsp.errors import InputError, printable
from thumbline.dsp.files.takes import kept_strings
from thumbline.dsp.kept.layout import EVENTS

_DAY_S = 86_400.0


def seconds_at(path: Path, clock: str) -> float:
    """Return where in the kept take at ``path`` the computer's clock showed ``clock`` ("12:31" or "12:31:05.5"), in s.

    Where it showed that more than once, the first time counts. Raises InputError for a take that was not kept, or did
    not go on at that time, or what is no time of day.
    """
    try:
        hours, minutes, seconds = (*map(float, clock.split(":")), 0.0)[:3]
    except ValueError:
        raise InputError(f"the time is {clock!r}; accepted: a time of day such as 12:31 or 12:31:05") from None
    wanted = (hours * 60.0 + minutes) * 60.0 + seconds
    if kept_strings(path) is None:
        raise InputError(
            f"{printable(path)}: is no folder that `thumbline live --keep` made, so it has no times of day"
        )
    rows = _rows(path / EVENTS)
    begun = [index for index, (_, _, event) in enumerate(rows) if event == "begin"]
    for index, end in zip(begun, [*begun[1:], len(rows)], strict=True):
        time_s, clock_s, _ = rows[index]
        at = time_s + (wanted - clock_s) % _DAY_S
        if at <= rows[end - 1][0]:
            return at
    raise InputError(f"{printable(path)}: was not playing at {clock}")


def _rows(path: Path) -> list[tuple[float, float, str]]:
    """Time in the take, time of day in seconds, and kind of each row that is whole."""
    rows: list[tuple[float, float, str]] = []
    try:
        with path.open(encoding="utf-8", newline="") as file:
            for row in csv.DictReader(file):
                hours, minutes, seconds = map(float, row["clock"].split(":"))
                rows.append((float(row["time_s"]), (hours * 60.0 + minutes) * 60.0 + seconds, row["event"]))
    except (OSError, UnicodeDecodeError) as error:
        raise InputError(f"{printable(path)}: cannot be read ({error})") from None
    except (ValueError, KeyError, AttributeError, TypeError):  # cut off here
        pass
    return rows
