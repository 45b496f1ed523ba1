"""Several takes at once: worker processes that report how far they are and end when they are told to."""

import signal
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor, wait
from ctypes import c_double
from multiprocessing import active_children, get_context
from pathlib import Path
from typing import Any, TypeVar

from thumbline.cli.progress import progress_bar
from thumbline.cli.signals import interrupt

R = TypeVar("R")
#: What is done with a take, and how it tells what share of it is done.
Work = Callable[[Path, Callable[[float], None]], R]

#: Seconds between looks at what the workers have done.
LOOK_S = 0.1

#: Shared with the workers: the share of each take that is done.
_shares: Any = None


def for_each_take(work: Work[R], takes: Sequence[Path], jobs: int) -> Iterator[R]:
    """Do ``work`` on each take, ``jobs`` at a time, with a progress bar; results in the order of the takes.

    With more than one job ``work`` and its results are pickled. An exception, an interrupt too, ends all workers.
    """
    if jobs == 1:
        for take in takes:
            with progress_bar(take.name) as show:
                result = work(take, show)
            yield result
        return
    context = get_context("spawn")
    shares: Any = context.Array(c_double, len(takes))
    with ProcessPoolExecutor(jobs, context, _begin, (shares,)) as pool:
        pending = [pool.submit(_work_on, index, take, work) for index, take in enumerate(takes)]
        try:
            with progress_bar(f"{len(takes)} takes") as show:
                while wait(pending, LOOK_S).not_done:
                    show(sum(shares) / len(takes))
        except BaseException:
            pool.shutdown(wait=False, cancel_futures=True)
            for worker in active_children():
                worker.terminate()
            raise
        for each in pending:
            yield each.result()


def _begin(shares: Any) -> None:
    """Begin a worker: what it shares, and how it ends when it is told to."""
    global _shares  # how a pool hands shared memory to its workers
    _shares = shares
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # the terminal's Ctrl-C; whoever started the worker tells it to stop


def _work_on(index: int, take: Path, work: Work[R]) -> R:
    def show(share: float) -> None:
        if _shares is not None:
            _shares[index] = share

    signal.signal(signal.SIGTERM, interrupt)
    try:
        return work(take, show)
    finally:
        signal.signal(signal.SIGTERM, signal.SIG_DFL)
