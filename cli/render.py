"""`thumbline render`: split takes."""

import signal
from collections.abc import Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor, wait
from ctypes import c_double
from multiprocessing import active_children, get_context
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from thumbline.cli.signals import interrupt

if TYPE_CHECKING:
    from thumbline.dsp.render import Rendered
    from thumbline.dsp.rig import Rig

#: Seconds between looks at what the workers have done.
LOOK_S = 0.1

#: Shared with the workers: the share of each take that is done.
_shares: Any = None


@click.command()
@click.argument("takes", nargs=-1, required=True, metavar="TAKE...", type=click.Path(path_type=Path))
@click.option("--out", required=True, metavar="DIR", type=click.Path(path_type=Path), help="Where the folders go.")
@click.option("--rig", "rig_file", metavar="RIG", type=click.Path(path_type=Path), help="Settings of the guitar.")
@click.option("--jobs", default=1, show_default=True, type=click.IntRange(1, 64), help="Takes at once.")
def render(takes: tuple[Path, ...], out: Path, rig_file: Path | None, jobs: int) -> None:
    """Split takes: one folder each, with the bass line, the rest, MIDI, tables and a picture.

    TAKE is a WAV, FLAC, AIFF or CAF file with one channel for each string, or a folder of mono files. Without a rig,
    six strings in standard tuning are assumed and levels and bleed are measured from each take; a rig made by
    `thumbline calibrate` knows the guitar better.
    """
    from thumbline.cli.progress import compile_kernels
    from thumbline.dsp.outputs import distinct_names
    from thumbline.dsp.rig import Rig
    from thumbline.dsp.rig_file import load_rig

    rig = load_rig(rig_file) if rig_file else Rig()
    distinct_names(takes)
    compile_kernels()
    for rendered in _render_all(takes, out, rig, min(jobs, len(takes))):
        click.echo(_line(rendered))
        for channel in rendered.summary["faulty_channels"]:
            click.echo(f"{rendered.folder.name}: channel {channel} holds samples that are no sound; left out", err=True)
        if not rendered.summary["notes"]:
            click.echo(f"{rendered.folder.name}: no note was found; is this the right take for the rig?", err=True)


def _line(rendered: "Rendered") -> str:
    summary = rendered.summary
    return (
        f"{rendered.folder}: {summary['seconds']:.1f} s, {summary['bass_notes']} bass notes of {summary['notes']}, "
        f"{summary['times_real_time'] or 0:.0f} times real time"
    )


def _render_all(takes: Sequence[Path], out: Path, rig: "Rig", jobs: int) -> "Iterator[Rendered]":
    """Render each take, ``jobs`` at a time; results in the order of the takes."""
    from thumbline.cli.progress import progress_bar
    from thumbline.dsp.render import render_take

    if jobs == 1:
        for take in takes:
            with progress_bar(take.name) as show:
                rendered = render_take(take, out, rig, show)
            yield rendered
        return
    context = get_context("spawn")
    shares: Any = context.Array(c_double, len(takes))
    with ProcessPoolExecutor(jobs, context, _share, (shares,)) as pool:
        work = [pool.submit(_render_one, index, take, out, rig) for index, take in enumerate(takes)]
        try:
            with progress_bar(f"{len(takes)} takes") as show:
                while wait(work, LOOK_S).not_done:
                    show(sum(shares) / len(takes))
        except BaseException:
            pool.shutdown(wait=False, cancel_futures=True)
            for worker in active_children():
                worker.terminate()
            raise
        for each in work:
            yield each.result()


def _share(shares: Any) -> None:
    """Begin a worker: what it shares, and how it ends when it is told to."""
    global _shares  # how a pool hands shared memory to its workers
    _shares = shares
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # the terminal's Ctrl-C; whoever started the worker tells it to stop


def _render_one(index: int, take: Path, out: Path, rig: "Rig") -> "Rendered":
    from thumbline.dsp.render import render_take

    def show(share: float) -> None:
        if _shares is not None:
            _shares[index] = share

    signal.signal(signal.SIGTERM, interrupt)
    try:
        return render_take(take, out, rig, show)
    finally:
        signal.signal(signal.SIGTERM, signal.SIG_DFL)
