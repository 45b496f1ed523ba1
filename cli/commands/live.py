"""`thumbline live`: play."""

import contextlib
import os
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from thumbline.cli.options import Seconds, stage_changes, stage_options
from thumbline.cli.songs.chosen import settings_of
from thumbline.dsp.errors import InputError, printable

if TYPE_CHECKING:
    from thumbline.cli.console.child_processes import Backstage
    from thumbline.cli.console.run import RunOptions
    from thumbline.cli.console.supervision import Outcome
    from thumbline.dsp.rig.model import Rig

#: An interface that has gone is waited for so long unless `--wait` says otherwise, in seconds.
LATER_S = 60.0


@click.command()
@stage_options
@click.option("--take", metavar="TAKE", type=click.Path(path_type=Path), help="Play a take instead of the guitar.")
@click.option(
    "--wait",
    metavar="SECONDS",
    type=Seconds(0.0, 86400.0),
    help="How long to wait for an interface or a MIDI port, from the start on. Without it one that has gone is waited "
    "for for 60 s, and one that is not there at the start not at all.",
)
@click.option(
    "--keep",
    metavar="FOLDER",
    type=click.Path(path_type=Path),
    help="Keep all that is played in a new folder: strings, bass, guitar, and a table of what happened.",
)
@click.option(
    "--keep-bits", type=click.Choice(["24", "32"]), default="32", show_default=True, help="Bits per sample of --keep."
)
@click.option(
    "--page",
    metavar="[ADDRESS]",
    is_flag=False,
    flag_value="",
    help="Show the stage page to a browser: on this computer alone, or with ADDRESS (such as 192.168.1.20, with a port "
    "192.168.1.20:61240) to phones and tablets of that network.",
)
@click.option("--sound", is_flag=True, help="Begin with the sound on: for a box without a keyboard.")
@click.option("--plain", is_flag=True, help="Print lines instead of the full screen.")
@click.option("--json", "as_json", is_flag=True, help="Print events, one JSON object per line.")
def live(
    rig_file: Path | None,
    set_file: Path | None,
    take: Path | None,
    wait: float | None,
    keep: Path | None,
    keep_bits: str,
    page: str | None,
    sound: bool,
    plain: bool,
    as_json: bool,
    **given: Any,
) -> None:
    """Play: the strings come in, bass and guitar go out, and the sound module's mutes follow.

    Options that you leave out come from the rig (sections live and midi), then from the system.
    `thumbline ports` lists devices and ports. A take is played in real time to its end, then all stops.

    The sound is off until the space bar turns it on, or from the start with --sound. With the sound off everything else
    goes on: strings are followed, the bass is chosen, mutes and bass notes are sent, and a take is played on.

    Keys: space sound, s split, h hold, u unmute all, t tuner (all sound is off, one string is shown large), + - bass
    level, [ ] tone, c character, < > or a number: another song, w: write level, tone, character and interval as they
    are now into the set (or the rig), r: back to what it says, q stop.

    With --keep a process of its own writes what is played, up to the last second before anything goes wrong. A full or
    slow disk is told and does not touch the sound. `render`, `practice` and the notebooks take the folder as a take and
    decide as was decided on stage. In 32 bits samples are kept as they came; 24 bits hold all that an interface of 24
    bits can tell.

    With --page a browser shows the stage screen: what is not as usual large, the note of the bass, the strings, and
    buttons for sound, split, hold, unmute all, tuner and songs. Each screen is let in by a code that works once; the
    terminal shows the next one. The page is served by a process of its own, never from outside, and needs no internet.
    Whoever can listen in on the network can read what is sent: use a network of your own. A phone keeps its screen on
    by itself only for pages of its own computer: set its screen time-out to never.

    Exit codes: 0 stopped by you or at the end of the take; 2 a device, port or file was not found, or other bad input;
    1 a fault, or stopped by another program.
    """
    if plain and as_json:
        raise InputError("--plain and --json are both given; accepted: one of them")
    from thumbline.cli.console.child_processes import Backstage
    from thumbline.cli.page.address import page_address
    from thumbline.dsp.machine_code.kernel_cache import are_compiled

    with Backstage() as backstage:
        if are_compiled():  # it loads for longer than all the others, so it begins before its memory is made
            backstage.engine.start()
        address = None if page is None else page_address(page)
        settings = settings_of(rig_file, set_file, stage_changes(given))
        first = settings[0][1]
        from thumbline.cli.console.cautions import caution_text
        from thumbline.cli.console.run import RunOptions
        from thumbline.cli.page.stand import Stand

        used_rate = _rate(take, given["rate"], first)
        click.echo(caution_text(), err=True)
        if backstage.engine.process is None:
            from thumbline.cli.progress import compile_kernels

            compile_kernels()
        options = RunOptions(
            settings=settings,
            input_device=first.live.input,
            output_device=first.live.output,
            take="" if take is None else str(take),
            rate=used_rate,
            block=first.live.block_frames,
            patience_s=LATER_S if wait is None else wait,
            wait_s=0.0 if wait is None else wait,
            sound=sound,
            set_file=set_file,
            rig_file=rig_file,
            keep=keep,
            keep_bits=24 if keep_bits == "24" else 32,
            page=None if address is None else Stand(backstage.memory, address, settings),
        )
        outcome = _run(options, backstage, plain=plain, as_json=as_json)
    if outcome.code == 2:
        raise InputError(outcome.text)
    if outcome.code:
        click.echo(f"thumbline: {outcome.text}", err=True)
        sys.exit(outcome.code)


def _rate(take: Path | None, rate: int | None, rig: "Rig") -> int:
    """Return the sample rate: a take's own, since it is not resampled."""
    if take is None:
        return rig.live.sample_rate
    from thumbline.dsp.files.mono_files import mono_files
    from thumbline.dsp.files.takes import open_take

    with open_take(take, rig.string_count, rig.input.channels, rig.instrument.strings) as opened:
        if rate not in (None, opened.sample_rate):
            raise InputError(
                f"--rate is {rate}, but {opened.name} has {opened.sample_rate} Hz; accepted: the take's own"
            )
        if opened.is_folder and list(opened.files) != mono_files(take):
            raise InputError(f"{printable(take)} has files named by notes; accepted here: by numbers, channel 1 first")
        return opened.sample_rate


def _run(options: "RunOptions", backstage: "Backstage", *, plain: bool, as_json: bool) -> "Outcome":
    """Play until something ends it."""
    from thumbline.cli.console.cautions import SILENT
    from thumbline.cli.console.keys import Keyboard
    from thumbline.cli.console.reports import JsonReport, PlainReport
    from thumbline.cli.console.run import play

    with contextlib.nullcontext() if as_json else Keyboard() as keyboard:
        has_keys = keyboard is not None and keyboard.has_keys
        if not (options.sound or has_keys):
            click.echo(SILENT, err=True)
        if as_json:
            return play(options, backstage, JsonReport())
        knows_a_screen = sys.stdout.isatty() and os.environ.get("TERM", "").lower() not in ("dumb", "unknown")
        if plain or not knows_a_screen:
            return play(options, backstage, PlainReport(), keyboard)
        from thumbline.cli.console.full_screen import ScreenReport

        with ScreenReport(cautions=has_keys and not options.sound) as screen:
            return play(options, backstage, screen, keyboard, screen)
