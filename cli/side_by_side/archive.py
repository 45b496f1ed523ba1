"""Work on folders of takes that goes on where it stopped, and the table of what came of each take."""

import csv
import io
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Generic, TypeVar

import click

from thumbline.cli.side_by_side.workers import for_each_take
from thumbline.dsp.errors import InputError, OutputError, printable
from thumbline.dsp.files.archive import takes_in
from thumbline.dsp.files.atomic_write import refuse_other_kind, write_whole
from thumbline.dsp.files.takes import distinct_names

R = TypeVar("R")
#: Does the work on a take, whose result belongs into the folder.
Work = Callable[[Path, Callable[[float], None], Path], R]
#: The table's name in the output folder, and what it holds of every take; the rest is the command's own.
TABLE, COLUMNS = "results.csv", ("take", "state", "reason")


@dataclass(frozen=True)
class Came(Generic[R]):
    """What came of a take: a result, or why there is none."""

    take: Path
    result: R | None
    reason: str = ""


@dataclass(frozen=True)
class _Attempt(Generic[R]):
    """The work with what a take's result needs to know; pickled with several jobs."""

    work: Work[R]
    folders: Mapping[Path, Path]

    def __call__(self, take: Path, show: Callable[[float], None]) -> Came[R]:
        try:
            return Came(take, self.work(take, show, self.folders[take]))
        except OutputError:
            raise
        except InputError as error:
            return Came(take, None, str(error))


@dataclass
class Archive(Generic[R]):
    """The takes of some archives, each with its place under ``out``; raises InputError as ``takes_in`` does.

    Parameters
    ----------
    archives
        Folders of takes.
    out
        Where the results go, in folders as the takes lie in.
    columns
        Columns of the table, beside ``COLUMNS``.
    facts
        What the table says of a result, by column; ``state`` is one of them.
    """

    archives: Sequence[Path]
    out: Path
    columns: Sequence[str]
    facts: Callable[[R], Mapping[str, object]]
    rows: dict[str, dict[str, Any]] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self.folders: dict[Path, Path] = {}
        self._names: dict[Path, str] = {}
        for archive in self.archives:
            for take, folder in takes_in(archive):
                self.folders[take] = self.out / folder
                self._names[take] = (folder / take.name).as_posix()
        refuse_other_kind(self.out / TABLE, _is_table, "table of results")
        for folder in set(self.folders.values()):
            distinct_names([take for take, place in self.folders.items() if place == folder])

    def work(self, work: Work[R], jobs: int, told: Callable[[R], object]) -> None:
        """Do the work on each take, ``jobs`` at a time; ``told`` is given each result.

        What is wrong with a take is told on standard error and in the table; then the command exits with code 2.
        """
        failed = 0
        table = self.out / TABLE
        self.out.mkdir(parents=True, exist_ok=True)
        try:
            for came in for_each_take(_Attempt(work, self.folders), list(self.folders), min(jobs, len(self.folders))):
                name = printable(self._names[came.take])
                row: dict[str, object] = {"take": name}
                if came.result is None:
                    failed += 1
                    click.echo(f"thumbline: {name}: {came.reason}", err=True)
                    row |= {"state": "refused", "reason": came.reason}
                else:
                    told(came.result)
                    row |= self.facts(came.result)
                self.rows[name] = row
                if jobs == 1:
                    self._write(table)
        finally:
            if self.rows:
                self._write(table)
        click.echo(f"{printable(table)}: {len(self.rows)} takes, {failed} refused")
        if failed:
            raise click.exceptions.Exit(2)

    def _write(self, table: Path) -> None:
        text = io.StringIO()
        columns = [*COLUMNS[:2], *self.columns, COLUMNS[2]]
        rows = csv.DictWriter(text, columns, restval="", lineterminator="\n")
        rows.writeheader()
        rows.writerows(self.rows.values())
        write_whole(table, text.getvalue().encode(), _is_table, "table of results")


def _is_table(path: Path) -> bool:
    with path.open(encoding="utf-8", errors="replace") as file:
        return file.readline().startswith(",".join(COLUMNS[:2]))
