"""`thumbline ports`: what this computer has, and whether it works."""

import json
import sys
import time
from contextlib import suppress
from typing import TYPE_CHECKING, Any

import click

from thumbline.cli.options import RATE, Seconds
from thumbline.dsp.errors import InputError, printable

if TYPE_CHECKING:
    from thumbline.cli.devices.audio_devices import Device

#: Levels are shown this often, in seconds.
SHOW_S = 0.2


@click.command()
@click.option("--tone", type=click.IntRange(1, 64), metavar="OUTPUT", help="Play a test tone on this output.")
@click.option("--level", "levels", is_flag=True, help="Show the level of each input.")
@click.option(
    "--loopback",
    type=(click.IntRange(1, 64), click.IntRange(1, 256)),
    metavar="OUTPUT INPUT",
    help="Measure the round trip through a cable from an output to an input.",
)
@click.option("--yes", is_flag=True, help="With --loopback: do not ask; every precaution has been taken.")
@click.option("--input", "input_device", default="", metavar="DEV", help="Input device, by name or number.")
@click.option("--output", "output_device", default="", metavar="DEV", help="Output device, by name or number.")
@click.option("--rate", default=48000, show_default=True, type=RATE, help="Sample rate in Hz.")
@click.option("--block", default=64, show_default=True, type=click.IntRange(32, 2048), help="Buffer size in frames.")
@click.option("--hz", default=110.0, show_default=True, help="Frequency of the tone, 20 to 5000.")
@click.option("--db", default=-30.0, show_default=True, help="Peak level of the tone in dBFS, at most -12.")
@click.option("--seconds", type=Seconds(1.0, 3600.0), help="How long: tone 4 (at most 30), levels 10.")
@click.option("--json", "as_json", is_flag=True, help="Print the result as JSON.")
def ports(
    tone: int | None,
    levels: bool,
    loopback: tuple[int, int] | None,
    yes: bool,
    input_device: str,
    output_device: str,
    rate: int,
    block: int,
    hz: float,
    db: float,
    seconds: float | None,
    as_json: bool,
) -> None:
    """List audio devices and MIDI ports; or try an output, the inputs, or the way through both.

    Before a tone or a round trip, turn the amplifier down and take headphones off. The tone begins silent and rises
    over two seconds; Ctrl-C stops it.
    """
    if sum((tone is not None, levels, loopback is not None)) > 1:
        raise InputError("--tone, --level and --loopback are given together; accepted: one of them")
    if tone is not None:
        _tone(output_device, tone, rate, hz, db, 4.0 if seconds is None else seconds, as_json)
    elif levels:
        _levels(input_device, rate, 10.0 if seconds is None else seconds, as_json)
    elif loopback is not None:
        _loopback((input_device, output_device), loopback, rate, block, as_json, yes=yes)
    else:
        _list(as_json)


def _list(as_json: bool) -> None:
    from dataclasses import asdict

    from thumbline.cli.devices.audio_devices import list_devices
    from thumbline.cli.devices.midi_ports import input_names, no_library, output_names
    from thumbline.cli.devices.pipewire import advice

    problem, devices = "", []
    try:
        devices = list_devices()
    except InputError as error:  # MIDI ports can be listed without
        problem = str(error)
    pipewire = advice(devices)
    midi_in, midi_out = input_names(), output_names()
    if as_json:
        listed = {"devices": [asdict(device) for device in devices], "midi_in": midi_in, "midi_out": midi_out}
        more = {"problem": problem, "advice": pipewire}
        click.echo(json.dumps(listed | {key: text for key, text in more.items() if text}, indent=2))
        return
    click.echo("Audio devices" if devices else f"Audio devices: none. {problem}".rstrip())
    for device in devices:
        click.echo(_device_line(device))
    if pipewire:
        click.echo(f"{pipewire}.")
    if trouble := no_library():
        click.echo(trouble[0].upper() + trouble[1:])
        return
    for title, names in (("MIDI out, to sound modules", midi_out), ("MIDI in, from foot controllers", midi_in)):
        click.echo(f"{title}{'' if names else ': none'}")
        for name in names:
            click.echo(f"  {printable(name)}")


def _device_line(device: "Device") -> str:
    marks = [name for name, yes in (("input", device.default_input), ("output", device.default_output)) if yes]
    default = f"  (default {' and '.join(marks)})" if marks else ""
    has = f"{device.inputs} in, {device.outputs} out, {device.rate:.0f} Hz"
    return f"  {device.index:2d}  {printable(device.full_name)}: {has}{default}"


def _tone(device: str, output: int, rate: int, hz: float, db: float, seconds: float, as_json: bool) -> None:
    from thumbline.cli.devices.streams import play
    from thumbline.cli.devices.tone import tone

    sound = tone(rate, hz, db, seconds)
    click.echo("Turn the amplifier down and take headphones off. The tone begins silent; Ctrl-C stops it.", err=True)
    target = play(device, output, sound, rate)
    if as_json:
        click.echo(json.dumps({"device": target.full_name, "output": output, "hz": hz, "db": db, "seconds": seconds}))
    else:
        click.echo(f"{hz:g} Hz at {db:g} dBFS was played on output {output} of {printable(target.full_name)}")


def _levels(device: str, rate: int, seconds: float, as_json: bool) -> None:
    """Show levels until the time is over or the player stops it; then say what should be looked at."""
    from rich.console import Console
    from rich.live import Live
    from rich.text import Text

    from thumbline.cli.devices.audio_devices import find_device
    from thumbline.cli.devices.streams import record
    from thumbline.cli.devices.tone import LevelMeter

    channels = find_device(device, "input").inputs
    meter = LevelMeter(channels)
    console = Console(stderr=True)
    with (
        record(device, channels, rate) as recording,
        Live(console=console, auto_refresh=False, transient=True) as shown,
    ):
        until, show_at = time.monotonic() + seconds, 0.0
        with suppress(KeyboardInterrupt):
            for block in recording.blocks():
                meter.feed(block)
                now = time.monotonic()
                if now >= until:
                    break
                if now >= show_at and console.is_terminal:
                    show_at = now + SHOW_S
                    shown.update(Text("\n".join(_level_lines(meter, channels))), refresh=True)
    rows: list[dict[str, Any]] = [
        {
            "channel": channel + 1,
            "rms_db": round(float(meter.rms_db[channel]), 1),
            "peak_db": round(float(meter.peak_db[channel]), 1),
            "clipped": int(meter.clipped[channel]),
            "look": meter.words(channel),
        }
        for channel in range(channels)
    ]
    if as_json:
        click.echo(
            json.dumps({"device": recording.device.full_name, "lost": recording.lost, "channels": rows}, indent=2)
        )
        return
    click.echo(f"{printable(recording.device.full_name)}, levels in dBFS")
    for row in rows:
        line = f"  channel {row['channel']:2d}: {row['rms_db']:6.1f} rms, {row['peak_db']:6.1f} peak  {row['look']}"
        click.echo(line.rstrip())


def _level_lines(meter: Any, channels: int) -> list[str]:
    lines = []
    for channel in range(channels):
        level = max(float(meter.block_db[channel]), -90.0)
        bar = "#" * round((level + 90.0) / 2.0)
        lines.append(f"  channel {channel + 1:2d}  {level:6.1f} dB  {bar:45}  {meter.words(channel)}")
    return lines


def _loopback(
    devices: tuple[str, str], channels: tuple[int, int], rate: int, block: int, as_json: bool, *, yes: bool
) -> None:
    from thumbline.cli.devices.loopback import clicks, round_trip
    from thumbline.cli.devices.streams import play_and_record

    output, channel = channels
    before_the_cable(output, channel, yes=yes)
    found = round_trip(play_and_record(devices, (channel, output), clicks(rate), rate, block), rate)
    if found is None:
        raise InputError(
            f"nothing that was played on output {output} came back on input {channel}; "
            "accepted: a cable between them, the output's and the input's level turned up, no other sound"
        )
    if as_json:
        from dataclasses import asdict

        click.echo(
            json.dumps({"output": output, "input": channel, "block_frames": block, "ms": found.ms} | asdict(found))
        )
        return
    click.echo(f"Round trip: {found.frames} frames, {found.ms:.2f} ms at {rate} Hz, blocks of {block} frames")
    click.echo(f"It came back at {found.gain_db:+.1f} dB{', polarity inverted' if found.inverted else ''}")
    if found.clipped:
        click.echo(f"Input {channel} clips: turn it down", err=True)
    if found.spread:
        click.echo(
            f"It varied by {found.spread} frame{'s' * (found.spread != 1)}: the interface's clocks may not be one",
            err=True,
        )


def before_the_cable(output: int, channel: int, *, yes: bool) -> None:
    """Say what can do harm before a cable goes from an output to an input, and wait until it is done, unless ``yes``.

    Raises InputError if nobody can answer.
    """
    click.echo(
        f"Before the cable from output {output} to input {channel} goes in: switch phantom power (48 V) and direct "
        f"monitoring of input {channel} off, turn the amplifier down and take headphones off. Clicks at -20 dBFS.",
        err=True,
    )
    if not yes:
        _wait_for_enter()


def _wait_for_enter() -> None:
    """Ask; whoever cannot answer must say so beforehand."""
    click.echo("Press Enter when that is done, Ctrl-C to leave it. ", nl=False, err=True)
    try:
        answered = sys.stdin.readline()
    except OSError:
        answered = ""
    if not answered:
        click.echo(err=True)
        raise InputError("nobody can press Enter here; accepted: a terminal, or --yes once all of that is done")
