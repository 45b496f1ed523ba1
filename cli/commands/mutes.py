"""`thumbline mutes`: match the mutes of the sound module string by string."""

import json
import time
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from thumbline.cli.options import Seconds, midi_option, rig_option
from thumbline.dsp.errors import InputError, printable

if TYPE_CHECKING:
    from thumbline.cli.devices.midi_ports import OutputPort
    from thumbline.dsp.rig.model import MuteModule, Rig

#: How often "all open" is sent at the beginning and at the end ...
TIMES = 3
#: ... and the pause between, in seconds.
PAUSE_S = 0.04


@click.command()
@rig_option
@midi_option
@click.option("--string", "only", metavar="NUMBER", type=click.IntRange(1), help="One string alone, over and over.")
@click.option("--module", metavar="NAME", help="One module alone, by its name in the rig.")
@click.option(
    "--seconds",
    metavar="SECONDS",
    default=2.0,
    show_default=True,
    type=Seconds(0.05, 60.0),
    help="How long each string is muted, and unmuted again.",
)
@click.option("--json", "as_json", is_flag=True, help="Print each step as a JSON object.")
def mutes(
    rig_file: Path | None, port_name: str | None, only: int | None, module: str | None, seconds: float, as_json: bool
) -> None:
    """Mute one string after the other, slowly, and unmute it again.

    Let all strings ring: the one that is named falls silent. If it is another, or none, assign the controller that is
    shown to that string's mute in the sound module. With --string one string goes on and off until Ctrl-C, for a
    module that learns a controller while it comes in. At the end, and on Ctrl-C, every string is unmuted.

    Turn the amplifier down first: strings that were muted will sound.
    """
    from thumbline.cli.devices.midi_ports import OutputPort, no_midi
    from thumbline.dsp.midi.mutes import open_all
    from thumbline.dsp.rig.file import load_rig
    from thumbline.dsp.rig.model import Rig

    rig = Rig() if rig_file is None else load_rig(rig_file)
    modules = _chosen(rig, module)
    if only is not None and only > rig.string_count:
        raise InputError(f"--string is {only}; accepted: 1 to {rig.string_count}")
    port = OutputPort(rig.midi.port if port_name is None else port_name)
    port.open()
    if not port.opened:
        raise InputError(no_midi())
    everything = [message.bytes() for message in open_all(rig.mutes.modules)]
    click.echo("Turn the amplifier down: strings that were muted will sound.", err=True)
    _say(
        as_json,
        {"event": "start", "port": port.name},
        f"MIDI goes to {port.name}. Ctrl-C ends and unmutes.",
    )
    try:
        _send_often(port, everything)
        for each, string in _steps(modules, rig.string_count, only):
            _mute_once(port, rig, each, string, seconds, as_json)
    except KeyboardInterrupt:
        if only is None:
            raise
    finally:
        _send_often(port, everything)
        _say(as_json, {"event": "end", "unmuted": "all"}, "Every string is unmuted.")
        port.close()


def _chosen(rig: "Rig", name: str | None) -> "list[MuteModule]":
    if not rig.mutes.modules:
        raise InputError("the rig has no modules to mute (mutes.modules is []); accepted: at least one")
    modules = [module for module in rig.mutes.modules if name in (None, module.name)]
    if not modules:
        names = ", ".join(repr(module.name) for module in rig.mutes.modules)
        raise InputError(f"--module is {name!r}; accepted: {names}")
    return modules


def _steps(modules: "list[MuteModule]", strings: int, only: int | None) -> "Iterator[tuple[MuteModule, int]]":
    """Each string of each module from the lowest up; one string without end."""
    while True:
        for module in modules:
            for string in [only] if only else range(strings, 0, -1):
                yield module, string
        if only is None:
            return


def _mute_once(
    port: "OutputPort", rig: "Rig", module: "MuteModule", string: int, seconds: float, as_json: bool
) -> None:
    from thumbline.dsp.midi.mutes import MuteDecision, encode

    about: dict[str, Any] = {
        "module": module.name,
        "string": string,
        "note": rig.instrument.strings[string - 1],
        "channel": module.channel,
        "controller": module.controllers[string - 1],
    }
    for is_open in (False, True):
        (message,) = encode(MuteDecision(0.0, string, is_open), [module])
        port.look()  # our own port may have been connected meanwhile
        port.send(message.bytes())
        word = "unmuted" if is_open else "muted"
        text = (
            f"{module.name}: string {string} ({about['note']}) {word:<7}  "
            f"channel {message.channel}, controller {message.controller}, value {message.value}"
        )
        _say(as_json, {"event": word, **about, "value": message.value}, text)
        time.sleep(seconds)


def _send_often(port: "OutputPort", messages: list[list[int]]) -> None:
    """A port that has just been opened may lose what comes first."""
    for _ in range(TIMES):
        port.look()
        for message in messages:
            port.send(message)
        time.sleep(PAUSE_S)


def _say(as_json: bool, event: dict[str, Any], text: str) -> None:
    click.echo(json.dumps(event) if as_json else "\n".join(map(printable, text.splitlines())))
