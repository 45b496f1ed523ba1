"""`thumbline render`: split takes."""

from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

import click

from thumbline.cli.options import jobs_option, rig_option, takes_argument
from thumbline.dsp.errors import printable

if TYPE_CHECKING:
    from thumbline.dsp.results.render import Rendered
    from thumbline.dsp.rig.model import Rig


@click.command()
@takes_argument
@click.option(
    "--out",
    required=True,
    metavar="DIR",
    type=click.Path(path_type=Path),
    help="Output folder; one subfolder per take.",
)
@rig_option
@jobs_option
def render(takes: tuple[Path, ...], out: Path, rig_file: Path | None, jobs: int) -> None:
    """Split takes: one folder each, with the bass line, the rest, MIDI, tables and a picture.

    TAKE is a WAV, FLAC, AIFF or CAF file with one channel for each string, or a folder of mono files: in the order of
    their names (2 before 10), string 1 first, or named by the open notes of the strings (E4.wav); or a folder that
    `thumbline live --keep` made, which brings its own rig. Without a rig, six strings in standard tuning are assumed
    and levels and bleed are measured from each take; a rig made by `thumbline calibrate` knows the guitar better.
    """
    from thumbline.cli.progress import compile_kernels
    from thumbline.cli.side_by_side.workers import for_each_take
    from thumbline.dsp.files.takes import distinct_names
    from thumbline.dsp.rig.file import load_rig

    rig = load_rig(rig_file) if rig_file else None
    distinct_names(takes)
    compile_kernels()
    for rendered in for_each_take(partial(_render, out=out, rig=rig), takes, min(jobs, len(takes))):
        name = printable(rendered.folder.name)
        click.echo(_line(rendered))
        for channel in rendered.summary["faulty_channels"]:
            click.echo(f"{name}: channel {channel} holds invalid samples; left out", err=True)
        for kept in rendered.kept_aside:
            click.echo(f"{name}: a file there had been changed; it stays as {printable(kept)}", err=True)
        if not rendered.summary["notes"]:
            click.echo(f"{name}: no note was found; is this the right take for the rig?", err=True)


def _line(rendered: "Rendered") -> str:
    summary = rendered.summary
    unheard = ", ".join(map(str, summary["strings_without_notes"]))
    dead = f"none on string {unheard}, " if unheard and summary["notes"] else ""
    return (
        f"{printable(rendered.folder)}: {summary['seconds']:.1f} s, {summary['bass_notes']} bass notes "
        f"of {summary['notes']}, {dead}{summary['times_real_time'] or 0:.0f} times real time"
    )


def _render(take: Path, show: Callable[[float], None], out: Path, rig: "Rig | None") -> "Rendered":
    from thumbline.dsp.kept.layout import rig_for
    from thumbline.dsp.results.render import render_take

    return render_take(take, out, rig or rig_for(take), show)
