"""A progress bar for long work, and a word about compiling."""

from collections.abc import Callable, Iterator
from contextlib import contextmanager

import click

from thumbline.dsp.errors import printable


@contextmanager
def progress_bar(label: str) -> Iterator[Callable[[float], None]]:
    """Show a bar on a terminal's error stream; yields a function that takes the share done, 0 to 1."""
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TaskProgressColumn, TextColumn, TimeRemainingColumn

    console = Console(stderr=True)
    columns = (
        TextColumn("{task.description}", markup=False),
        BarColumn(),
        TaskProgressColumn(),
        TimeRemainingColumn(),
    )
    with Progress(*columns, console=console, transient=True, disable=not console.is_terminal) as bar:
        task = bar.add_task(printable(label), total=1.0)
        yield lambda share: bar.update(task, completed=share)


def compile_kernels() -> None:
    """Compile the processor if that has not been done yet, and say so: it takes a while, once."""
    from thumbline.dsp.machine_code.kernel_cache import are_compiled
    from thumbline.dsp.processor.processor import warm_up

    if not are_compiled():
        click.echo("Compiling the processor for this computer: once, about half a minute ...", err=True)
    warm_up()
