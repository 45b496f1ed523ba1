"""Options and arguments that several commands have."""

import math
from collections.abc import Callable
from pathlib import Path
from typing import Any

import click

from thumbline.dsp.sample_rates import HIGHEST_RATE, LOWEST_RATE

#: A sample rate in frames per second.
RATE = click.IntRange(LOWEST_RATE, HIGHEST_RATE)


#: A file or folder.
PATH = click.Path(path_type=Path)
#: TAKE...: one or more takes.
takes_argument = click.argument("takes", nargs=-1, required=True, metavar="TAKE...", type=PATH)
#: --rig RIG.
rig_option = click.option("--rig", "rig_file", metavar="RIG", type=PATH, help="Rig of the guitar.")
#: --midi PORT, where the rig names one too.
midi_option = click.option(
    "--midi", "port_name", metavar="PORT", help="MIDI port of the sound module; else that of the rig."
)
#: --archive.
archive_option = click.option(
    "--archive",
    is_flag=True,
    help="Each TAKE is a folder of takes, at any depth. What is made already is left as it is; results.csv lists all.",
)
#: --jobs NUMBER.
jobs_option = click.option(
    "--jobs", default=1, show_default=True, type=click.IntRange(1, 64), help="How many takes to process in parallel."
)


#: Options of the commands on stage that change a key of the rig: the key, the option, its metavar, type and help.
_STAGE_OPTIONS = (
    ("live.input", "--input", "DEV", str, "Input device of the strings, by name or number."),
    ("live.output", "--output", "DEV", str, "Output device for bass and guitar, by name or number."),
    ("midi.port", "--midi", "PORT", str, "MIDI port of the sound module."),
    ("midi.foot_port", "--foot", "PORT", str, "MIDI port of the foot controller."),
    ("live.sample_rate", "--rate", "HZ", RATE, "Sample rate in Hz."),
    ("live.block_frames", "--block", "FRAMES", click.IntRange(32, 2048), "Buffer size in frames."),
)


def stage_options(command: Callable[..., None]) -> Callable[..., None]:
    """Give a command --rig, --set, and the options that change the rig.

    It gets ``rig_file``, ``set_file`` and each of the others by the name of its option; :func:`stage_changes` sorts
    these by the keys of the rig.
    """
    for _, option, metavar, kind, words in reversed(_STAGE_OPTIONS):
        command = click.option(option, metavar=metavar, type=kind, help=words)(command)
    words = "Songs of an evening, and what each changes."
    return rig_option(click.option("--set", "set_file", metavar="SET", type=PATH, help=words)(command))


def stage_changes(given: dict[str, Any]) -> dict[str, Any]:
    """Return what the options of :func:`stage_options` say, by the key of the rig."""
    return {key: given[option.removeprefix("--")] for key, option, *_ in _STAGE_OPTIONS}


class Seconds(click.FloatRange):
    """A number of seconds from ``low`` to ``high``. Click's own range lets "nan" through, which is never over."""

    def __init__(self, low: float, high: float) -> None:
        super().__init__(low, high)

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        """Return the number; refuse one outside the range, and anything else."""
        seconds = super().convert(value, param, ctx)
        if math.isnan(seconds):
            self.fail(f"{value} is not in the range {self._describe_range()}.", param, ctx)
        return seconds
