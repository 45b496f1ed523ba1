"""Tables of notes (CSV), as programs and spreadsheets of any country write them.

Columns may be separated by commas, semicolons or tabs, numbers may have a decimal comma where the separator is none,
and the names of columns may be in any case, with blanks about them.
"""

import csv
import re
from collections.abc import Iterator
from io import StringIO

from thumbline.dsp.errors import InputError
from thumbline.dsp.scoring.truth_entry import ACCEPTED, Entry

SEPARATORS = (",", ";", "\t")
_DECIMAL_COMMA = re.compile(r"[-+]?\d+,\d+")


def table_entries(text: str, name: str) -> Iterator[Entry]:
    """Yield the rows of a table. Raises InputError, of one line, for a table without a column that is needed."""
    separator = _separator(text)
    reader = csv.reader(StringIO(text, newline=""), delimiter=separator)
    try:
        columns = [column.strip().lower() for column in next(reader, [])]
        pitch = _checked_columns(columns, name)
        wanted = ("onset_s", "offset_s", "string", pitch, "fades_s", "faded_s")
        for row in reader:
            cells = {column: cell.strip() for column, cell in zip(columns, row, strict=False)}
            if any(cells.values()):
                values = {key: _plain(cells[key], separator) for key in wanted if cells.get(key)}
                yield Entry(f"line {reader.line_num}", values)
    except csv.Error as error:
        raise InputError(
            f"{name}: line {reader.line_num} is not a row of a table ({error}); accepted: {ACCEPTED}"
        ) from None


def _separator(text: str) -> str:
    """Return the separator that the first line has most of; a comma if it has none."""
    first = text.lstrip().partition("\n")[0]
    return max(SEPARATORS, key=lambda each: (first.count(each), each == ","))


def _checked_columns(columns: list[str], name: str) -> str:
    missing = [column for column in ("onset_s", "offset_s", "string") if column not in columns]
    pitch = next((column for column in ("midi", "hz", "note") if column in columns), None)
    if pitch is None:
        missing.append("midi (or hz, or note)")
    if missing:
        raise InputError(f"{name}: has no column {missing[0]}; accepted: {ACCEPTED}")
    return pitch or "midi"


def _plain(cell: str, separator: str) -> str:
    return cell.replace(",", ".") if separator != "," and _DECIMAL_COMMA.fullmatch(cell) else cell
