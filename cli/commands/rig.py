"""`thumbline rig`: write a commented default rig, check a rig, explain its settings."""

from pathlib import Path
from typing import TYPE_CHECKING

import click

from thumbline.cli.commands.rig_learn import learn
from thumbline.dsp.errors import InputError, printable

if TYPE_CHECKING:
    from rich.table import Table

    from thumbline.dsp.rig.model import Rig


@click.group()
def rig() -> None:
    """Write, check and explain rigs, the settings files of a guitar."""


rig.add_command(learn)


@rig.command()
@click.argument("file", default="-", metavar="[FILE]")
@click.option(
    "--strings",
    metavar="NOTES",
    help='The open strings, string 1 (the highest) first, for example "E4 B3 G3 D3 A2 E2 B1".',
)
@click.option("--force", is_flag=True, help="Replace FILE if it exists.")
def new(file: str, strings: str | None, force: bool) -> None:
    """Write a rig with every setting at its default, each explained.

    It goes to FILE, or to the screen if FILE is left out or "-".
    """
    from thumbline.dsp.rig.file import rig_from_dict, rig_text, write_rig

    if file != "-" and Path(file).exists() and not force:
        raise InputError(f"{file}: exists already; accepted: another name, or --force to replace it")
    instrument = {} if strings is None else {"strings": strings.replace(",", " ").split()}
    text = rig_text(rig_from_dict({"instrument": instrument}, "--strings"))
    if file == "-":
        click.echo(text, nl=False)
    else:
        write_rig(file, text, replace_any=force)
        click.echo(f"{printable(file)}: written; every setting is explained in it")


@rig.command()
@click.argument("file")
def check(file: str) -> None:
    """Check the rig in FILE and show what it makes of each string."""
    from rich.console import Console

    from thumbline.dsp.rig.file import load_rig

    loaded = load_rig(file)
    Console(highlight=False).print(_string_table(loaded))
    click.echo(_below_the_table(loaded))
    click.echo(f"{printable(file)}: no problems found")


def _below_the_table(rig: "Rig") -> str:
    from thumbline.dsp.midi.foot_controller import bind

    limit = "" if rig.choice.highest_note == "any" else f", up to {rig.choice.highest_note}"
    lines = [f"Bass: {rig.choice.rule}{limit}; {rig.bass.voice}, {rig.bass.interval} semitones"]
    for module in rig.mutes.modules:
        numbers = " ".join(map(str, module.controllers))
        lines.append(
            f"{module.name}: MIDI channel {module.channel}, controllers {numbers}, "
            f"unmuted {module.unmuted_value}, muted {module.muted_value}"
        )
    lines += [
        f"Foot: {foot.action}: {foot.message} {foot.number} on channel {foot.channel}, {bind(foot).behaviour}"
        for foot in rig.feet
    ]
    return "\n".join(lines)


def _string_table(rig: "Rig") -> "Table":
    """Return a row for each string: what it is tuned to, where it comes in and when it counts as sounding."""
    from rich import box
    from rich.table import Table

    from thumbline.dsp.note_names import midi_to_hz, midi_to_note

    table = Table(box=box.SIMPLE, show_edge=False)
    for heading in ("string", "open", "Hz", "channel", "on dBFS", "off dBFS", "may be bass"):
        table.add_column(heading, justify="right")
    for i, midi in enumerate(rig.open_midi):
        table.add_row(
            str(i + 1),
            midi_to_note(midi),
            f"{midi_to_hz(float(midi), rig.instrument.a4_hz):.2f}",
            str(rig.input.channels[i]),
            *(
                levels if isinstance(levels, str) else f"{levels[i]:.1f}"
                for levels in (rig.detect.on_db, rig.detect.off_db)
            ),
            "yes" if i + 1 in rig.bass_strings else "no",
        )
    return table


@rig.command()
@click.argument("keys", nargs=-1, metavar="[KEY]...")
def explain(keys: tuple[str, ...]) -> None:
    """Explain settings, or list them all.

    KEY is a setting, such as detect.on_db, or a whole section, such as detect.
    """
    from thumbline.dsp.rig.file import describe

    if keys:
        click.echo("\n\n".join(describe(key) for key in keys))
    else:
        _list_settings()


def _list_settings() -> None:
    from rich import box
    from rich.console import Console
    from rich.table import Table
    from rich.text import Text

    from thumbline.dsp.rig.catalogue import all_settings

    table = Table("setting", "accepted", box=box.SIMPLE, show_edge=False)
    for setting in all_settings().values():
        table.add_row(Text(setting.key, no_wrap=True), Text(setting.accepted))
    Console(highlight=False).print(table)
