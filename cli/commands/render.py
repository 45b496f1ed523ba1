"""`thumbline render`: split takes."""

from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

import click

from thumbline.cli.options import archive_option, jobs_option, rig_option, takes_argument
from thumbline.cli.shared.misfit import does_not_fit
from thumbline.dsp.errors import printable

if TYPE_CHECKING:
    from thumbline.dsp.results.render import Rendered
    from thumbline.dsp.rig.model import Rig

#: What `results.csv` of an archive says of each take; the summary has the same.
TABLE_COLUMNS = ("folder", "seconds", "notes", "bass_notes", "hand_overs", "strings_without_notes", "made_of")


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
@archive_option
def render(takes: tuple[Path, ...], out: Path, rig_file: Path | None, jobs: int, archive: bool) -> None:
    """Split takes: one folder each, with the bass line, the rest, MIDI, tables and a picture.

    TAKE is a WAV, FLAC, AIFF or CAF file with one channel for each string, or a folder of mono files: in the order of
    their names (2 before 10), string 1 first, or named by the open notes of the strings (E4.wav); or a folder that
    `thumbline live --keep` made, which brings its own rig. Without a rig, six strings in standard tuning are assumed
    and levels and bleed are measured from each take; a rig made by `thumbline calibrate` knows the guitar better.

    With --archive a run that was stopped goes on where it stopped: what this version has made of the same take and rig
    is left as it is.
    """
    from thumbline.cli.progress import compile_kernels
    from thumbline.cli.side_by_side.archive import Archive
    from thumbline.cli.side_by_side.workers import for_each_take
    from thumbline.dsp.files.takes import distinct_names
    from thumbline.dsp.rig.file import load_rig

    rig = load_rig(rig_file) if rig_file else None
    if archive:
        archived = Archive(takes, out, TABLE_COLUMNS, partial(_facts, out))
        compile_kernels()
        archived.work(partial(_render, rig=rig, go_on=True), jobs, _tell)
        return
    distinct_names(takes)
    compile_kernels()
    for rendered in for_each_take(partial(_render, out=out, rig=rig), takes, min(jobs, len(takes))):
        _tell(rendered)


def _tell(rendered: "Rendered") -> None:
    """Say what came of a take."""
    name = printable(rendered.folder.name)
    click.echo(_line(rendered))
    for channel in rendered.summary["faulty_channels"]:
        click.echo(f"{name}: channel {channel} holds invalid samples; left out", err=True)
    for kept in rendered.kept_aside:
        click.echo(f"{name}: a file there had been changed; it stays as {printable(kept)}", err=True)
    if misfit := rendered.summary["rig_misfit"]:
        click.echo(f"{name}: {does_not_fit(misfit)}", err=True)
    if not rendered.summary["notes"]:
        click.echo(f"{name}: no note was found; is this the right take for the rig?", err=True)


def _facts(out: Path, rendered: "Rendered") -> dict[str, object]:
    """What the table of an archive says of a result."""
    summary = {key: rendered.summary[key] for key in TABLE_COLUMNS if key in rendered.summary}
    unheard = " ".join(map(str, summary["strings_without_notes"]))
    state = "as before" if rendered.as_before else "made"
    folder = printable(rendered.folder.relative_to(out))
    return {**summary, "state": state, "folder": folder, "strings_without_notes": unheard}


def _line(rendered: "Rendered") -> str:
    summary = rendered.summary
    unheard = ", ".join(map(str, summary["strings_without_notes"]))
    dead = f"none on string {unheard}, " if unheard and summary["notes"] else ""
    return (
        f"{printable(rendered.folder)}: {summary['seconds']:.1f} s, {summary['bass_notes']} bass notes "
        f"of {summary['notes']}, {dead}"
        + ("as before" if rendered.as_before else f"{summary['times_real_time'] or 0:.0f} times real time")
    )


def _render(take: Path, show: Callable[[float], None], out: Path, rig: "Rig | None", go_on: bool = False) -> "Rendered":
    from thumbline.dsp.kept.layout import rig_for
    from thumbline.dsp.results.render import render_take

    return render_take(take, out, rig or rig_for(take), show, go_on=go_on)
