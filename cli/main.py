"""The `thumbline` command: finds the subcommand, and turns what went wrong into one line and an exit code.

Exit codes: 0 done, 2 bad usage or bad input, 1 anything else (interrupted, or a fault of the program).
"""

import difflib
import errno
import importlib
import os
import signal
import sys
import traceback
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import click

from thumbline.cli.help_texts import restore
from thumbline.cli.signals import interrupt
from thumbline.cli.start import INTERRUPTED
from thumbline.dsp.errors import InputError, printable

#: Name, where it lives, and what it does: a command is imported only when it is called.
COMMANDS = {
    "render": ("thumbline.cli.commands.render:render", "Split takes into a bass line and the rest."),
    "practice": (
        "thumbline.cli.commands.practice:practice",
        "Make tracks to practise with: parts, speeds, click, loops.",
    ),
    "calibrate": (
        "thumbline.cli.commands.calibrate:calibrate",
        "Measure a guitar from its open strings and write a rig.",
    ),
    "refine": ("thumbline.cli.commands.refine:refine", "Search a rig's thresholds on takes whose notes are known."),
    "score": ("thumbline.cli.commands.score:score", "Compare a result with the notes that were really played."),
    "live": ("thumbline.cli.commands.live:live", "Play: through an audio interface, with the sound module's mutes."),
    "ready": (
        "thumbline.cli.commands.ready:ready",
        "Check everything before the show: strings, mutes, switches, computer.",
    ),
    "ports": ("thumbline.cli.commands.ports:ports", "List audio devices and MIDI ports, and try them."),
    "mutes": ("thumbline.cli.commands.mutes:mutes", "Match the mutes of the sound module, string by string."),
    "unmute": (
        "thumbline.cli.commands.open_all:open_strings",
        "Unmute every string, whatever hangs.",
    ),
    "rig": ("thumbline.cli.commands.rig:rig", "Write, check and explain rigs, the settings files of a guitar."),
}


#: Commands that were called otherwise once.
FORMER = {"open": "unmute"}


class LazyGroup(click.Group):
    """A group whose commands are imported when they are needed."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        """Return the commands in the order in which a player meets them."""
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """Import a command by its name."""
        cmd_name = FORMER.get(cmd_name, cmd_name)
        if cmd_name not in COMMANDS:
            near = difflib.get_close_matches(cmd_name, COMMANDS, 1)
            meant = f"; did you mean {near[0]}?" if near else ""
            raise click.UsageError(f"no command {cmd_name!r}; accepted: {', '.join(COMMANDS)}{meant}")
        module, attribute = COMMANDS[cmd_name][0].split(":")
        return restore(getattr(importlib.import_module(module), attribute))

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """List the commands without importing them."""
        with formatter.section("Commands"):
            formatter.write_dl([(name, text) for name, (_, text) in COMMANDS.items()])


@click.group(cls=LazyGroup, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(package_name="thumbline", message="%(prog)s %(version)s")
def thumbline() -> None:
    """Bass and guitar at once from one instrument.

    Takes a recording, or the live sound, of a hexaphonic pickup (one channel per string): whatever string is lowest at
    the moment becomes the bass; the others stay guitar.
    """


def main(arguments: Sequence[str] | None = None) -> None:
    """Run the command line and exit."""
    _mend_streams()
    for name in ("SIGTERM", "SIGHUP"):  # a polite kill, or a terminal that closes, cleans up as Ctrl-C does
        number = getattr(signal, name, None)
        if number is not None and signal.getsignal(number) != signal.SIG_IGN:  # as nohup has it
            signal.signal(number, interrupt)
    try:
        if signal.getsignal(signal.SIGINT) != signal.SIG_IGN:
            signal.signal(signal.SIGINT, interrupt)
        _require_working_folder()
        restore(thumbline)
        _refuse_empty(sys.argv[1:] if arguments is None else arguments)
        code = thumbline.main(arguments, prog_name="thumbline", standalone_mode=False) or 0  # what click's Exit says
        sys.stdout.flush()
    except click.exceptions.NoArgsIsHelpError as error:
        click.echo(error.format_message(), err=True)
        code = 2
    except click.ClickException as error:
        about = error.ctx.command_path if isinstance(error, click.UsageError) and error.ctx else "thumbline"
        click.echo(f"thumbline: {printable(error.format_message()).rstrip('.')}; see {about} --help", err=True)
        code = 2
    except InputError as error:
        click.echo(f"thumbline: {error}", err=True)
        code = 2
    except (KeyboardInterrupt, click.Abort):
        click.echo(INTERRUPTED, err=True)
        code = 1
    except BrokenPipeError:
        _abandon_stdout()  # whoever read our output has gone
        code = 1
    except OSError as error:
        about = "" if error.filename is None else f"{printable(os.fsdecode(error.filename))}: "
        if error.errno == errno.ENAMETOOLONG:  # asking whether it exists is already too much
            click.echo(f"thumbline: {about}{error.strerror}; accepted: a shorter name", err=True)
            code = 2
        else:
            _abandon_stdout()
            click.echo(f"thumbline: cannot go on: {about}{error.strerror or error}", err=True)
            code = 1
    except MemoryError:
        _abandon_stdout()
        click.echo("thumbline: cannot go on: not enough memory", err=True)
        code = 1
    except Exception as error:
        if isinstance(error, RuntimeError) and "start new thread" in str(error):  # CPython's words; it has no type
            click.echo("thumbline: cannot go on: the system allows no further thread", err=True)
        elif os.environ.get("THUMBLINE_TRACEBACK"):
            traceback.print_exc()
        else:
            what = printable(f"{type(error).__name__}: {error}".splitlines()[0])
            click.echo(f"thumbline: a fault in the program: {what}", err=True)
            click.echo("Set THUMBLINE_TRACEBACK=1 to see where, and please report it.", err=True)
        code = 1
    sys.exit(code)


def _require_working_folder() -> None:
    """Raise InputError if the folder that the command was called in is gone: the compiler asks for it."""
    try:
        Path.cwd()
    except FileNotFoundError:
        raise InputError("the working folder has been removed; accepted: one that exists (cd)") from None


def _mend_streams() -> None:
    """Have standard streams that are closed lead nowhere, and print names that cannot be encoded with escapes.

    The number of a closed one would go to the first file that is opened, and what libraries print into that.
    """
    for number, name in enumerate(("stdin", "stdout", "stderr")):
        try:
            os.fstat(number)
        except OSError:
            os.open(os.devnull, os.O_RDWR)  # takes the lowest number that is free, which is this one
        stream: Any = getattr(sys, name)
        if stream is None:
            opened = open(number, "w" if number else "r", encoding="utf-8", closefd=False)  # noqa: SIM115
            setattr(sys, name, opened)
        elif number and getattr(stream, "errors", None) == "strict":
            stream.reconfigure(errors="backslashreplace")


def _refuse_empty(arguments: Sequence[str]) -> None:
    """Raise UsageError for an empty argument, such as an unset shell variable: as a path it is the working folder."""
    for number, argument in enumerate(arguments, 1):
        option, equals, value = argument.partition("=")
        if not argument or (option.startswith("--") and equals and not value):
            after = f" (after {arguments[number - 2]})" if not argument and number > 1 else ""
            raise click.UsageError(f"argument {number}{after} is empty; accepted: a name or a value")


def _abandon_stdout() -> None:
    """Keep Python from complaining on the way out that the rest cannot be written."""
    os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


if __name__ == "__main__":
    main()
