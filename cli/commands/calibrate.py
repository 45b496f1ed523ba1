"""`thumbline calibrate`: from open strings to a rig."""

from pathlib import Path
from typing import TYPE_CHECKING

import click

from thumbline.cli.options import RATE
from thumbline.dsp.errors import InputError, printable

if TYPE_CHECKING:
    from rich.table import Table

    from thumbline.dsp.calibration.calibrate import Calibration
    from thumbline.dsp.calibration.report import StringReport
    from thumbline.dsp.rig.model import Rig


@click.command()
@click.argument("take", required=False, metavar="[TAKE]", type=click.Path(path_type=Path))
@click.option("--out", required=True, metavar="RIG", type=click.Path(path_type=Path), help="The rig to write.")
@click.option("--rig", "base", metavar="BASE", type=click.Path(path_type=Path), help="Rig to start from.")
@click.option("--live", "guided", is_flag=True, help="Play now, string by string, as you are asked to.")
@click.option("--input", "device", metavar="DEV", help="With --live: the device of the strings, by name or number.")
@click.option("--rate", type=RATE, metavar="HZ", help="With --live: sample rate in Hz.")
@click.option("--anyway", is_flag=True, help="Write the rig even if these are not open strings one after the other.")
@click.option(
    "--keep", metavar="FILE", type=click.Path(path_type=Path), help="With --live: keep the take as a WAV file."
)
def calibrate(
    take: Path | None,
    out: Path,
    base: Path | None,
    guided: bool,
    device: str | None,
    rate: int | None,
    keep: Path | None,
    anyway: bool,
) -> None:
    """Measure a guitar from a take of each string played alone, and write a rig.

    Leave two seconds of silence, then pluck each open string three times at your normal strength, let each note ring
    for a second, and keep the others damped. Noise, levels, bleed and thresholds are measured; all else comes from
    BASE, or is the default.

    With --live the guitar is heard through the audio interface and you are told what to play. A TAKE is then heard in
    place of the interface.
    """
    given = [name for name, value in (("--input", device), ("--rate", rate), ("--keep", keep)) if value is not None]
    if given and not guided:
        raise InputError(f"{given[0]} is given without --live; accepted: with it")
    from thumbline.dsp.rig.file import refuse_other_than_rig

    refuse_other_than_rig(out)
    if guided:
        from thumbline.cli.devices.guided_take import guided_take

        rig = _begin(base)
        with guided_take(take, rig, device, rate, keep) as heard:
            _measure(heard, rig, base, out, anyway=True)
    elif take is None:
        raise InputError("no TAKE is given; accepted: a recording, or --live to play now")
    else:
        _measure(take, _begin(base), base, out, anyway=anyway)


def _begin(base: Path | None) -> "Rig":
    """Return the rig to start from, once it is known to be one; then compile."""
    from thumbline.cli.progress import compile_kernels
    from thumbline.dsp.rig.file import load_rig
    from thumbline.dsp.rig.model import Rig

    rig = load_rig(base) if base else Rig()
    compile_kernels()
    return rig


def _measure(take: Path, rig: "Rig", base: Path | None, out: Path, *, anyway: bool) -> None:
    """Measure a take, write the rig and say what was found. Over the ``base`` itself, its comments are kept.

    A take of something else than open strings is refused unless ``anyway``: bleed and levels would be wrong.
    """
    from rich.console import Console

    from thumbline.cli.progress import progress_bar
    from thumbline.dsp.calibration import calibrate as calibration
    from thumbline.dsp.rig.adjustment import changed_settings
    from thumbline.dsp.rig.edit import save_changes
    from thumbline.dsp.rig.file import rig_text, write_rig

    with progress_bar(take.name) as show:
        found = calibration.calibrate(take, rig, show)
    if found.doubt and not anyway:
        raise InputError(
            f"{printable(take)}: {found.doubt}; accepted: each open string plucked a few times, one string after the "
            "other (--anyway measures it all the same)"
        )
    if base and out.exists() and out.samefile(base):
        notes = {key: f"thumbline calibrate: {reason}" for key, reason in found.reasons.items()}
        save_changes(base, out, rig, changed_settings(rig, found.rig), notes)
    else:
        write_rig(out, rig_text(found.rig, found.reasons))
    Console(highlight=False).print(_table(found))
    mains = "none" if found.mains_hz is None else f"{found.mains_hz:.2f} Hz"
    if found.mains_db is not None:
        mains += f", {found.mains_db:.0f} dBFS at most"
    click.echo(f"Mains hum: {mains}. Levels in dBFS.")
    if found.mains_hz is not None:
        click.echo("Hum is taken out. Never lift the protective earth against it; see Take care in README.")
    for warning in found.warnings:
        click.echo(f"Note: {warning}{'' if warning.endswith('?') else '.'}", err=True)
    click.echo(f"{printable(out)}: written; comments in it say why each value was set")


def _table(found: "Calibration") -> "Table":
    from rich import box
    from rich.table import Table

    table = Table(box=box.SIMPLE, show_edge=False, collapse_padding=True)
    for heading in ("string", "note", "channel", "notes", "cents", "floor", "level", "on", "off", "bleed", "left"):
        table.add_column(heading, justify="right")
    for each in found.strings:
        table.add_row(
            str(each.string),
            each.note,
            str(each.channel),
            str(each.notes) if each.played else "none",
            "" if each.cents is None else f"{each.cents:+.0f}",
            *(f"{level:.0f}" for level in (each.floor_db, each.level_db, each.on_db, each.off_db)),
            _bleed(each),
            "" if each.left_db is None else f"{each.left_db:.0f}",
        )
    return table


def _bleed(each: "StringReport") -> str:
    if each.bleed_doubted:
        return "unsure"
    return "none" if each.bleed_db is None else f"{each.bleed_db:.0f} from {each.bleed_from}"
