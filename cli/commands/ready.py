"""`thumbline ready`: the check before the show."""

import sys
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from thumbline.cli.options import Seconds, stage_changes, stage_options
from thumbline.cli.songs.chosen import settings_of

if TYPE_CHECKING:
    from thumbline.dsp.rig.model import Rig

#: Exit code of a check that found something.
NOT_READY = 1


@click.command()
@stage_options
@click.option(
    "--seconds",
    metavar="SECONDS",
    default=30.0,
    show_default=True,
    type=Seconds(1.0, 600.0),
    help="How long you have at most.",
)
@click.option(
    "--loopback",
    type=(click.IntRange(1, 64), click.IntRange(1, 256)),
    metavar="OUTPUT INPUT",
    help="First measure the round trip through a cable from an output to an input, by clicks of -20 dBFS.",
)
def ready(
    rig_file: Path | None,
    set_file: Path | None,
    seconds: float,
    loopback: tuple[int, int] | None,
    **given: Any,
) -> None:
    """Check everything before the show: play every string once, press every switch, and read what is not ready.

    The processes of `thumbline live` run with the sound off: devices, ports, strings, mutes, switches, how sound really
    comes, lost and late blocks, free processor time, battery and clock governor, where the system tells. It ends as
    soon as all has been seen, after five seconds at the earliest.

    What it cannot know is whether the module obeys: `thumbline mutes` lets you hear that.

    Exit codes: 0 ready, 1 one line for each thing that is not, 2 bad input, or a device or port that is not there.
    """
    from thumbline.cli.console.child_processes import Backstage
    from thumbline.cli.console.run import RunOptions
    from thumbline.cli.progress import compile_kernels
    from thumbline.cli.readiness.findings import findings
    from thumbline.cli.readiness.walk import walk

    settings = settings_of(rig_file, set_file, stage_changes(given))
    rig = settings[0][1]
    lines = [] if loopback is None else list(_round_trip(rig, *loopback))
    compile_kernels()
    options = RunOptions(
        settings=settings,
        input_device=rig.live.input,
        output_device=rig.live.output,
        take="",
        rate=rig.live.sample_rate,
        block=rig.live.block_frames,
        patience_s=5.0,
        sound=False,
    )
    click.echo("Play each open string by itself, again and again, and press each foot switch.", err=True)
    with Backstage() as backstage:
        seen = walk(options, backstage, seconds, lambda line: click.echo(line, err=True))
    lines += findings(rig, seen)
    for line in lines:
        click.echo(line)
    if lines:
        sys.exit(NOT_READY)
    click.echo("ready")


def _round_trip(rig: "Rig", output: int, channel: int) -> Iterator[str]:
    """Print the round trip through a cable; yield a line if nothing comes back, or it clips."""
    from thumbline.cli.devices.loopback import clicks, round_trip
    from thumbline.cli.devices.streams import play_and_record

    click.echo(f"Turn the amplifier down: clicks at -20 dBFS on output {output}, to input {channel} ...", err=True)
    rate, devices = rig.live.sample_rate, (rig.live.input, rig.live.output)
    recorded = play_and_record(devices, (channel, output), clicks(rate), rate, rig.live.block_frames)
    found = round_trip(recorded, rate)
    if found is None:
        yield f"round trip: nothing played on output {output} came back on input {channel}; is the cable there?"
        return
    click.echo(f"Round trip: {found.frames} frames, {found.ms:.2f} ms")
    if found.clipped:
        yield f"round trip: input {channel} clips; turn it down"
