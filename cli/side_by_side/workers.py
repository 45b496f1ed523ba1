"""Several takes, one after the other or at once: the bad ones are told, the others are done all the same."""

from collections.abc import Callable, Iterator, Sequence
from functools import partial
from pathlib import Path
from typing import Any, TypeVar

import click

from thumbline.cli.progress import progress_bar
from thumbline.cli.side_by_side.crew import Crew, Fault, Lost
from thumbline.dsp.errors import InputError, OutputError, printable

R = TypeVar("R")
#: What is done with a take, and how it tells what share of it is done.
Work = Callable[[Path, Callable[[float], None]], R]

#: Seconds between looks at what the workers have done.
LOOK_S = 0.1


def for_each_take(work: Work[R], takes: Sequence[Path], jobs: int) -> Iterator[R]:
    """Do ``work`` on each take, ``jobs`` at a time, with a progress bar; results in the order of the takes.

    A take for which ``work`` raises InputError, or whose process is killed, is reported on standard error, in its turn,
    and has no result; after the last take the command exits with code 2, or 1 if a process was killed. Any other
    exception, OutputError and an interrupt too, ends all at once. With more than one job ``work`` and its results are
    pickled.
    """
    code = 0
    for take, outcome in _outcomes(work, takes, jobs):
        if isinstance(outcome, InputError | Lost):
            code = 1 if code == 1 or isinstance(outcome, Lost) else 2
            click.echo(f"thumbline: {_reason(take, outcome)}", err=True)
        else:
            yield outcome
    if code:
        raise click.exceptions.Exit(code)


def _reason(take: Path, outcome: InputError | Lost) -> str:
    """Return the fault of a take, with its name: there may be others."""
    name, reason = printable(take), outcome.words if isinstance(outcome, Lost) else str(outcome)
    return reason if name in reason else f"{name}: {reason}"


def _outcomes(work: Work[R], takes: Sequence[Path], jobs: int) -> Iterator[tuple[Path, R | InputError | Lost]]:
    """Each take with what came of it, in their order."""
    if jobs == 1:
        for take in takes:
            with progress_bar(take.name) as show:
                outcome = _outcome(work, take, show)
            yield take, outcome
        return
    came: dict[int, Any] = {}
    crew = Crew(partial(_outcome, work), takes, jobs)
    fault: Fault | None = None
    try:
        with progress_bar(f"{len(takes)} takes") as show:
            while len(came) < len(takes) and fault is None:
                came.update(crew.outcomes(LOOK_S))
                fault = next((each for each in came.values() if isinstance(each, Fault)), None)
                show(crew.share)
    except BaseException:
        crew.stop()
        raise
    if fault is None:
        crew.close()
    else:
        crew.stop()
    yield from ((takes[index], came[index]) for index in sorted(came) if not isinstance(came[index], Fault))
    if fault is not None:
        raise fault.error


def _outcome(work: Work[R], take: Path, show: Callable[[float], None]) -> R | InputError:
    """Do ``work`` on a take: its result, or the fault of the take."""
    try:
        return work(take, show)
    except OutputError:
        raise
    except InputError as error:
        return error
