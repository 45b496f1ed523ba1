"""`thumbline refine`: a rig's thresholds, searched on takes whose notes are known."""

from pathlib import Path
from typing import TYPE_CHECKING

import click

from thumbline.dsp.errors import printable

if TYPE_CHECKING:
    from thumbline.dsp.refine.refinement import Interval, Refined


@click.command()
@click.argument("takes", nargs=-1, metavar="[TAKE]...", type=click.Path(path_type=Path))
@click.option("--out", required=True, metavar="RIG", type=click.Path(path_type=Path), help="The rig to write.")
@click.option("--rig", "base", metavar="BASE", type=click.Path(path_type=Path), help="The rig to begin with.")
@click.option(
    "--open-strings",
    metavar="TAKE",
    type=click.Path(path_type=Path),
    help="A take of each string played alone, as for calibrate: levels and bleed are measured from it.",
)
@click.option(
    "--apart",
    multiple=True,
    metavar="TAKE",
    type=click.Path(path_type=Path),
    help="A take to score the refined rig on, kept from the search; may be given again.",
)
def refine(
    takes: tuple[Path, ...], out: Path, base: Path | None, open_strings: Path | None, apart: tuple[Path, ...]
) -> None:
    """Search the thresholds of a rig on takes whose notes are known, and say what that gains.

    The notes of each TAKE lie beside it under the same name: gig.wav and gig.csv (or .mid, .jams, .json), as `thumbline
    score` reads them. Without a TAKE, exercises are put together from --open-strings and searched on.

    The rig is changed only if that gains on what the search has not seen, each take in turn. Takes kept --apart choose
    nothing: they tell the gain. The comments of BASE are kept.
    """
    from thumbline.cli.progress import compile_kernels, progress_bar
    from thumbline.dsp.refine import refine_files
    from thumbline.dsp.rig.file import load_rig, refuse_other_than_rig
    from thumbline.dsp.rig.model import Rig

    if not takes and not open_strings:
        raise click.UsageError("no take to search on; accepted: TAKE, --open-strings TAKE, or both")
    rig = load_rig(base) if base else Rig()
    refuse_other_than_rig(out)
    compile_kernels()
    with progress_bar(" ".join(take.name for take in takes) or "exercises") as show:
        found = refine_files.refine_files(rig, takes, open_strings, apart, show)
    refine_files.write_refined(out, base, rig, found)
    _report(found.refined)
    for warning in found.warnings:
        click.echo(f"Note: {warning}.", err=True)
    click.echo(f"{printable(out)}: written")


def _report(found: "Refined") -> None:
    for step in found.steps:
        click.echo(f"{step[:1].upper()}{step[1:]}.")
    click.echo(f"On {found.unseen}:")
    before, after = found.before, found.after
    click.echo(_gain("bass path right", before.path_right, after.path_right, found.path_right))
    click.echo(_gain("F of bass notes", before.f, after.f, found.f))
    click.echo(_gain("accuracy", before.accuracy, after.accuracy, found.accuracy))
    click.echo(
        f"  F of the notes of all strings: {100 * before.notes_f:.2f} % before, {100 * after.notes_f:.2f} % after"
    )
    click.echo(
        "In brackets: where the gain on another take as long should lie, 95 in 100 (jackknife over stretches of 4 s)."
    )
    click.echo("Accuracy is the mean of the three. Bass notes count if found within 20 ms, others within 50 ms.")


def _gain(name: str, before: float, after: float, gain: "Interval") -> str:
    points = (100 * each for each in (gain.value, gain.low, gain.high))
    value, low, high = (f"{each:+.2f}" for each in points)
    return f"  {name}: {100 * before:.2f} % before, {100 * after:.2f} % after, gain {value} [{low}, {high}]"
