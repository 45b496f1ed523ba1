"""Whether every promise has its test, and every test of robustness its promise.

``python -m tests.robustness.promises --check`` fails where a row of PROMISES.md, or a decision in a DESIGN.md, names a
test that is not there, or no test at all, and where a module of this folder stands in no row. What the tests measure is
kept up to date by `tests.references.figures`.
"""

import re
import sys
from collections.abc import Iterator
from pathlib import Path

from tests.helpers.places import ROOT

PROMISES = Path(__file__).parent / "PROMISES.md"

_NAMES = re.compile(r"`([^`]+)`")
_COMMAND = re.compile(r"python -m (tests(?:\.\w+)+)")


def paths_in(text: str) -> Iterator[str]:
    """The tests that are named in backticks: files and commands; a bare name stands for the one file of that name."""
    for name in _NAMES.findall(text):
        command = _COMMAND.search(name)
        if command:
            yield command[1].replace(".", "/") + ".py"
        elif re.fullmatch(r"(\S*/)?test_\w+\.py", name) or name == ".ci/run":
            yield name


def is_there(name: str) -> bool:
    """Whether a named test exists; a bare name must stand for exactly one file."""
    return (ROOT / name).is_file() if "/" in name else len(list((ROOT / "tests").rglob(name))) == 1


def faults() -> list[str]:
    """What is wrong, one line each."""
    found: list[str] = []
    named: set[str] = set()
    before: list[str] = []
    for line in PROMISES.read_text("utf-8").splitlines():
        cells = re.split(r"(?<!\\) \| ", line.strip("| "))
        if not line.startswith("| ") or cells[0] == "fault":
            continue
        if len(cells) != 4:
            found.append(f"PROMISES.md: {cells[0]!r} has {len(cells)} columns; accepted: 4")
            continue
        tests = before if cells[2] == "the same" else list(paths_in(cells[2]))
        if not tests:
            found.append(f"PROMISES.md: {cells[0]!r} names no test")
        found += [
            f"PROMISES.md: {cells[0]!r} names {each}, which is not one test" for each in tests if not is_there(each)
        ]
        named |= {Path(each).name for each in tests}
        before = tests
    for design in sorted(ROOT.glob("*/*/DESIGN.md")):
        found += [
            f"{design.relative_to(ROOT)}: {each} is not one test"
            for each in paths_in(design.read_text("utf-8"))
            if not is_there(each)
        ]
    here = sorted(path.name for path in PROMISES.parent.glob("test_*.py"))
    return found + [f"PROMISES.md: no row names {name}" for name in here if name not in named]


if __name__ == "__main__":
    if sys.argv[1:] != ["--check"]:
        sys.exit(f"{sys.argv[1:]}: accepted: --check")
    sys.exit("\n".join(faults()) or 0)
