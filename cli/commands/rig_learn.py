"""`thumbline rig learn`: press a switch, and the rig gets its number."""

import math
import time
from pathlib import Path
from typing import TYPE_CHECKING

import click

from thumbline.cli.options import Seconds
from thumbline.dsp.errors import InputError, printable

if TYPE_CHECKING:
    from thumbline.cli.devices.midi_ports import InputPort

#: All messages of a press come within this time, in seconds.
PRESS_S = 0.3
#: A pedal is listened to for this long, in seconds.
PEDAL_S = 1.5
LOOK_S = 0.01


@click.command()
@click.argument("rig_file", metavar="RIG", type=click.Path(path_type=Path))
@click.argument("action")
@click.option("--port", metavar="PORT", help="MIDI port of the foot controller; else that of the rig.")
@click.option("--behaviour", metavar="WORD", help="momentary, latching, stepped or pedal; else what suits the action.")
@click.option("--steps", metavar="NUMBERS", help='What a stepped switch goes through, for example "-12 -24".')
@click.option(
    "--wait",
    metavar="SECONDS",
    default=30.0,
    show_default=True,
    type=Seconds(0.1, 3600.0),
    help="How long to wait for the press.",
)
def learn(rig_file: Path, action: str, port: str | None, behaviour: str | None, steps: str | None, wait: float) -> None:
    """Assign a foot switch or pedal to ACTION by pressing or moving it.

    ACTION is split, hold, "unmute all", "bass level", "bass tone", interval, "next song", "previous song",
    song, tuner or "save song". The rest of the file stays as it is; `thumbline rig explain feet` says more.
    """
    from thumbline.cli.devices.midi_ports import InputPort, no_midi
    from thumbline.dsp.midi.foot_controller import ACTIONS
    from thumbline.dsp.rig.file import load_rig
    from thumbline.dsp.rig.former_words import todays_value
    from thumbline.dsp.rig.learn_switch import also_done_by, pressed
    from thumbline.dsp.rig.learn_switch import learn as learn_press

    rig = load_rig(rig_file)
    action = todays_value("feet.action", action)
    if action not in ACTIONS:
        raise InputError(f"action is {action!r}; accepted: {', '.join(ACTIONS)}")
    numbers = _numbers(steps)
    pedal = behaviour == "pedal" or (behaviour is None and ACTIONS[action].behaviours[0] == "pedal")
    heard = InputPort(rig.midi.foot_port if port is None else port)
    heard.open()
    if not heard.opened:
        raise InputError(no_midi())
    try:
        what = "Move the pedal all the way" if pedal else "Press the switch"
        click.echo(f'{what} for "{action}" (listening to {printable(heard.name)}) ...')
        messages = _wait_for(heard, wait, pedal)
    finally:
        heard.close()
    press = pressed(messages, pedal=pedal)
    if press is None:
        raise InputError(f'nothing usable was heard for "{action}" within {wait:g} s; accepted: a {_kinds(pedal)}')
    shared = also_done_by(rig_file, action, press)
    learn_press(rig_file, action, press, behaviour=behaviour, steps=numbers)
    click.echo(f'{rig_file}: "{action}" is {press.message} {press.number} on channel {press.channel}')
    if shared:
        also = ", ".join(f'"{each}"' for each in shared)
        click.echo(f"It does {also} as well: one press does all of it. Learn another switch for one of them.")


def _wait_for(port: "InputPort", wait: float, pedal: bool) -> list[list[int]]:
    """Return what comes in from the first usable message on, for as long as one press or one move lasts."""
    from thumbline.dsp.rig.learn_switch import pressed

    messages: list[list[int]] = []
    until = time.monotonic() + wait
    begun = False
    while time.monotonic() < until:
        port.look()
        messages += port.receive()
        if not begun and pressed(messages, pedal=pedal) is not None:
            begun, until = True, time.monotonic() + (PEDAL_S if pedal else PRESS_S)
        time.sleep(LOOK_S)
    return messages


def _kinds(pedal: bool) -> str:
    return "control change" if pedal else "control change, note or program change"


def _numbers(text: str | None) -> list[float]:
    words = (text or "").replace(",", " ").split()
    try:
        numbers = [float(word) for word in words]
        if not all(map(math.isfinite, numbers)):
            raise ValueError
    except ValueError:
        raise InputError(f"--steps is {text!r}; accepted: numbers, for example -12 -24") from None
    return [int(number) if number == int(number) else number for number in numbers]
