"""Figures of the documents: tests that measure them say them here, and the documents are written from what they said.

``python -m tests.references.figures`` writes the documents, ``--check`` fails where one of them is stale. A test hands
over what it has measured by `agrees`, which fails where the documents say something else. After a change that moves
figures, measure them anew::

    THUMBLINE_FIGURES=write python -m pytest -n 0 tests/references tests/robustness

In a document ``<!--KEY-->…<!---->`` encloses one figure, and a table of figures stands between ``<!-- table NAME -->``
and ``<!-- end -->``. Figures without either are dated and name the command that made them.
"""

import json
import os
import re
import sys
from collections.abc import Callable
from pathlib import Path

from tests.helpers.places import ROOT

FOLDER = Path(__file__).parent
#: Key -> figure, as it is printed.
MEASURED = FOLDER / "figures.json"
DOCUMENTS = (FOLDER / "FIGURES.md", ROOT / "tests" / "robustness" / "PROMISES.md")

_FIGURE = re.compile(r"<!--([\w.]+)-->(.*?)<!---->")
_TABLE = re.compile(r"(<!-- table (\w+) -->\n).*?(<!-- end -->)", re.DOTALL)


def known() -> dict[str, str]:
    """The figures by their keys."""
    return json.loads(MEASURED.read_text("utf-8")) if MEASURED.exists() else {}


def agrees(key: str, value: float, digits: int) -> None:
    """Fail unless the documents have ``value`` under ``key``, to less than one unit of the last of ``digits``."""
    said = f"{value:.{digits}f}"
    if os.environ.get("THUMBLINE_FIGURES") == "write":
        figures = known() | {key: said}
        MEASURED.write_text(json.dumps(dict(sorted(figures.items())), indent=1) + "\n", "utf-8")
        write()
        return
    there = known().get(key)
    assert there is not None, f"{key} is {said}, and {MEASURED.name} lacks it: see {__name__}"
    off = abs(value - float(there))
    assert off < 10.0**-digits * 1.000001, f"{key} is {said}, the documents say {there}: see {__name__}"


def takes_table(figures: dict[str, str]) -> str:
    """One row per assembled take."""
    columns = {
        "path": "path",
        "path without a rig": "path_without_rig",
        "bass F, 50 ms": "f1_50",
        "bass F, 10 ms": "f1_10",
        "notes F": "strings",
        "lost, false of notes": "counts",
        "pluck to decision, ms: median, 95th percentile": "latency",
    }
    takes = dict.fromkeys(key.split(".")[1] for key in figures if key.startswith("takes."))

    def cell(take: str, name: str) -> str:
        of = {key.split(".")[2]: said for key, said in figures.items() if key.startswith(f"takes.{take}.")}
        if name == "counts":
            return f"{of['lost']}, {of['false']} of {of['notes']}"
        return f"{of['median_ms']}, {of['p95_ms']}" if name == "latency" else of[name]

    rows = [["take", *columns], ["---"] * (len(columns) + 1)]
    rows += [[take, *(cell(take, name) for name in columns.values())] for take in takes]
    return "".join(f"| {' | '.join(row)} |\n" for row in rows)


TABLES: dict[str, Callable[[dict[str, str]], str]] = {"takes": takes_table}


def written(document: str, figures: dict[str, str]) -> str:
    """Return the text of a document with the figures as they are; KeyError for one that nobody has measured."""
    document = _FIGURE.sub(lambda found: f"<!--{found[1]}-->{figures[found[1]]}<!---->", document)
    return _TABLE.sub(lambda found: f"{found[1]}{TABLES[found[2]](figures)}{found[3]}", document)


def write() -> None:
    """Write the documents, but for figures that are still to be measured."""
    figures = known()
    for path in DOCUMENTS:
        text = path.read_text("utf-8")
        missing = [key for key, _ in _FIGURE.findall(text) if key not in figures]
        if not missing:
            path.write_text(written(text, figures), "utf-8")


def faults() -> list[str]:
    """What is stale: documents that say something else than was measured, and figures that stand nowhere."""
    figures, found, used = known(), [], set()
    for path in DOCUMENTS:
        text = path.read_text("utf-8")
        keys = [key for key, _ in _FIGURE.findall(text)]
        missing = [key for key in keys if key not in figures]
        used |= set(keys) | {key for name in _TABLE.findall(text) for key in figures if key.startswith(f"{name[1]}.")}
        found += [f"{path.name}: nobody has measured {key}" for key in missing]
        if not missing and written(text, figures) != text:
            found.append(f"{path.name} is stale: run python -m tests.references.figures")
    return found + [f"{MEASURED.name}: no document has {key}" for key in figures if key not in used]


if __name__ == "__main__":
    if sys.argv[1:] not in ([], ["--check"]):
        sys.exit(f"{sys.argv[1:]}: accepted: nothing, or --check")
    if not sys.argv[1:]:
        write()
    sys.exit("\n".join(faults()) or 0)
