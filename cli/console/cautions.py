"""What a player should know before the first sound, and how the sound is turned on."""

import textwrap

from rich.console import Group, RenderableType
from rich.text import Text

from thumbline.cli.console.screen import notice_lines
from thumbline.cli.console.view import View

#: Shown at every start. The figures are quoted from memory of the two publications.
CAUTIONS = (
    "Ears: the first time, play without in-ears or headphones and with the amplifier turned down. An octave down at "
    "stage level needs a lot of power, and the ceiling of the output does not know how loud that is. Wear protection. "
    "Published limits: 85 dB(A) for 8 hours a day, half the time for every 3 dB more (NIOSH 98-126); 80 dB(A) for 40 "
    "hours a week (WHO-ITU H.870).",
    "Mains: never lift a protective earth against hum. Feed the stage through a residual-current device (RCD, GFCI), "
    "leave the mains to licensed electricians; the local code has the last word.",
    "Floor: tape cables down.",
)
#: What the keys of the first screen do; the first of them stays where the terminal is narrow.
SOUND_KEY, OTHER_KEYS = " space: sound on", "   any other key: go on with the sound off   q: stop"
#: Said where nobody can press a key.
SILENT = (
    "The sound is off, and there is no keyboard here to turn it on: --sound begins with it on. "
    "Strings are followed and mutes are sent either way."
)
#: Columns of the cautions where there is no screen.
COLUMNS = 118


def caution_text() -> str:
    """Return the cautions as lines for a terminal's scroll-back."""
    return "\n".join(textwrap.fill(caution, COLUMNS) for caution in CAUTIONS)


def first_screen(view: View, width: int, height: int) -> RenderableType:
    """Return the first screen, until a key is pressed: the cautions, a fault, the stage page, and the keys."""
    keys = SOUND_KEY + OTHER_KEYS
    page = [Text(f" {view.page}"[:width])] if view.page else []
    below = [*notice_lines(view, width), *page, Text(keys if len(keys) <= width else SOUND_KEY, "bold")]
    lines = [Text(f" {line}") for line in _that_fit(width - 2, height - len(below) - 1)]
    return Group(*[*lines, Text(""), *below][-max(height, 1) :])


def _that_fit(width: int, room: int) -> list[str]:
    """The cautions in ``room`` lines: with gaps if they fit, else the longest is cut at its end, again and again."""
    wrapped = [textwrap.wrap(caution, max(width, 8)) for caution in CAUTIONS]
    while sum(map(len, wrapped)) > max(room, 0) and any(wrapped):
        max(wrapped, key=len).pop()
    gap = [""] if sum(map(len, wrapped)) + len(wrapped) - 1 <= room else []
    lines = [line for caution in wrapped for line in [*gap, *caution]]
    return lines[len(gap) :]
