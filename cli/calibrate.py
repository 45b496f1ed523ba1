"""`thumbline calibrate`: from open strings to a rig."""

from pathlib import Path
from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from rich.table import Table

    from thumbline.dsp.calibration import Calibration


@click.command()
@click.argument("take", metavar="TAKE", type=click.Path(path_type=Path))
@click.option("--out", required=True, metavar="RIG", type=click.Path(path_type=Path), help="The rig to write.")
@click.option("--rig", "base", metavar="BASE", type=click.Path(path_type=Path), help="Strings, tuning and wishes.")
def calibrate(take: Path, out: Path, base: Path | None) -> None:
    """Measure a guitar from a take of each string played alone, and write a rig.

    Play a moment of silence, then each open string a few times, letting it ring for a second. Noise, levels, bleed and
    thresholds are measured; all else comes from BASE, or is the default.
    """
    from rich.console import Console

    from thumbline.cli.progress import compile_kernels, progress_bar
    from thumbline.dsp import calibration
    from thumbline.dsp.rig import Rig
    from thumbline.dsp.rig_file import load_rig, rig_text, write_rig

    rig = load_rig(base) if base else Rig()
    compile_kernels()
    with progress_bar(take.name) as show:
        found = calibration.calibrate(take, rig, show)
    write_rig(out, rig_text(found.rig, found.reasons))
    Console(highlight=False).print(_table(found))
    mains = "none" if found.mains_hz is None else f"{found.mains_hz:.2f} Hz"
    click.echo(f"Mains hum: {mains}. Levels in dBFS.")
    for warning in found.warnings:
        click.echo(f"Look at {warning}.", err=True)
    click.echo(f"{out}: written; the reasons stand in it as comments")


def _table(found: "Calibration") -> "Table":
    from rich import box
    from rich.table import Table

    table = Table(box=box.SIMPLE, show_edge=False, collapse_padding=True)
    for heading in ("string", "note", "channel", "notes", "cents", "floor", "level", "on", "off", "bleed"):
        table.add_column(heading, justify="right")
    for each in found.strings:
        table.add_row(
            str(each.string),
            each.note,
            str(each.channel),
            str(each.notes) if each.played else "none",
            "" if each.cents is None else f"{each.cents:+.0f}",
            *(f"{level:.0f}" for level in (each.floor_db, each.level_db, each.on_db, each.off_db)),
            "none" if each.bleed_db is None else f"{each.bleed_db:.0f} from {each.bleed_from}",
        )
    return table
