"""Truth from a table (CSV), as in `notes.csv` of a rendered take."""

import csv
from collections.abc import Iterator
from io import StringIO

from thumbline.dsp.errors import InputError
from thumbline.dsp.scoring.truth_entry import ACCEPTED, Entry


def table_entries(text: str, name: str) -> Iterator[Entry]:
    """Return the notes of a table. Raises InputError if it has not the columns, or is no table."""
    table = csv.DictReader(StringIO(text, newline=""))
    try:
        columns = table.fieldnames or []
        missing = [column for column in ("onset_s", "offset_s", "string") if column not in columns]
        pitch = next((column for column in ("midi", "hz", "note") if column in columns), None)
        if pitch is None:
            missing.append("midi (or hz, or note)")
        if missing:
            raise InputError(f"{name}: has no column {missing[0]}; accepted: {ACCEPTED}")
        wanted = ("onset_s", "offset_s", "string", pitch or "midi", "fades_s", "faded_s")
        for row in table:
            yield Entry(f"line {table.line_num}", {key: row[key] for key in wanted if row.get(key) not in (None, "")})
    except csv.Error as error:
        raise InputError(
            f"{name}: line {table.reader.line_num} is no row of a table ({error}); accepted: {ACCEPTED}"
        ) from None
