"""Several takes, one after the other or at once: the bad ones are told, the others are done all the same.

Worker processes report how far they are and end when they are told to.
"""

import gc
import os
import signal
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import FIRST_EXCEPTION, Future, ProcessPoolExecutor, wait
from contextlib import suppress
from ctypes import c_double
from multiprocessing import active_children, get_context
from pathlib import Path
from typing import Any, TypeVar

import click

from thumbline.cli.progress import progress_bar
from thumbline.cli.signals import interrupt
from thumbline.dsp.errors import InputError, OutputError, printable

R = TypeVar("R")
#: What is done with a take, and how it tells what share of it is done.
Work = Callable[[Path, Callable[[float], None]], R]

#: Seconds between looks at what the workers have done.
LOOK_S = 0.1

#: Shared with the workers: the share of each take that is done.
_shares: Any = None


def for_each_take(work: Work[R], takes: Sequence[Path], jobs: int) -> Iterator[R]:
    """Do ``work`` on each take, ``jobs`` at a time, with a progress bar; results in the order of the takes.

    A take for which ``work`` raises InputError is told on standard error, in its turn, and has no result; after the
    last take the command exits with code 2. Any other exception, OutputError and an interrupt too, ends all at once.
    With more than one job ``work`` and its results are pickled.
    """
    bad = False
    for take, outcome in _outcomes(work, takes, jobs):
        if isinstance(outcome, InputError):
            bad = True
            click.echo(f"thumbline: {_reason(take, outcome)}", err=True)
        else:
            yield outcome
    if bad:
        raise click.exceptions.Exit(2)


def _reason(take: Path, error: InputError) -> str:
    """Return what is wrong with a take, which has to be named: there may be others."""
    name, reason = printable(take), str(error)
    return reason if name in reason else f"{name}: {reason}"


def _outcomes(work: Work[R], takes: Sequence[Path], jobs: int) -> Iterator[tuple[Path, R | InputError]]:
    """Each take with what came of it, in their order."""
    if jobs == 1:
        for take in takes:
            with progress_bar(take.name) as show:
                outcome = _outcome(work, take, show)
            yield take, outcome
        return
    context = get_context("spawn")
    shares: Any = context.Array(c_double, len(takes))
    with ProcessPoolExecutor(jobs, context, _begin, (shares,)) as pool:
        pending = [pool.submit(_work_on, index, take, work) for index, take in enumerate(takes)]
        try:
            with progress_bar(f"{len(takes)} takes") as show:
                while not _settled(pending):
                    show(sum(shares) / len(takes))
        except BaseException:
            _stop(pool)
            raise
        fault = next((error for each in pending if each.done() and (error := each.exception())), None)
        came = [(take, each.result()) for take, each in zip(takes, pending, strict=True) if _has_result(each)]
        if fault:
            _stop(pool)
        yield from came
        if fault:
            raise fault


def _settled(pending: Sequence["Future[Any]"]) -> bool:
    """Wait a moment; True if all are done, or one has failed in a way that ends all."""
    done, rest = wait(pending, LOOK_S, FIRST_EXCEPTION)
    return not rest or any(each.exception() for each in done)


def _has_result(each: "Future[Any]") -> bool:
    return each.done() and each.exception() is None


def _stop(pool: ProcessPoolExecutor) -> None:
    """Have all workers put away what they have begun, and end."""
    for worker in active_children():
        worker.terminate()
    pool.shutdown(cancel_futures=True)


def _outcome(work: Work[R], take: Path, show: Callable[[float], None]) -> R | InputError:
    """Do ``work`` on a take: its result, or what is wrong with the take."""
    try:
        return work(take, show)
    except OutputError:
        raise
    except InputError as error:
        return error


def _begin(shares: Any) -> None:
    """Begin a worker: what it shares, and how it ends when it is told to."""
    global _shares  # how a pool hands shared memory to its workers
    _shares = shares
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # the terminal's Ctrl-C; whoever started the worker tells it to stop


def _work_on(index: int, take: Path, work: Work[R]) -> R | InputError:
    """Work on a take in a worker. Told to end, the worker puts away what it has begun and ends here.

    It must not go back for more: an idle worker that ends while it waits for a take keeps the lock of their queue.
    """

    def show(share: float) -> None:
        if _shares is not None:
            _shares[index] = share

    with suppress(KeyboardInterrupt):
        signal.signal(signal.SIGTERM, interrupt)
        try:
            return _outcome(work, take, show)
        finally:
            if signal.getsignal(signal.SIGTERM) is interrupt:  # else we have been told, and are not to be disturbed
                signal.signal(signal.SIGTERM, signal.SIG_DFL)
    gc.collect()  # a folder whose removal was interrupted goes with its object
    os._exit(1)
