"""The tuner on the whole terminal: one string, its note as large as it can be, and cents to a tenth once it rests.

A pure function, as the other screen is. Nothing rests on colour: words say flat, sharp or in tune.
"""

from collections.abc import Callable

from rich.console import Group, RenderableType
from rich.text import Text

from thumbline.cli.tuning.tuner_view import TunerView

#: Within this much a string is in tune, and at this much the mark is at the end of its scale, in cents.
IN_TUNE_CENTS, SCALE_CENTS = 1.0, 25.0
#: Lines of a letter whose dots are one line high.
DOTS_HIGH = 5
FOOT = " t: back   all sound is off, the mutes are as they were   q: stop"


def tuner_screen(
    tuner: TunerView,
    width: int,
    height: int,
    draw: Callable[[str, int, int, str], list[str]],
    *,
    plain_characters: bool = False,
) -> RenderableType:
    """Return what the tuner shows on a terminal of ``width`` columns and ``height`` lines.

    ``draw`` returns a text as lines of large letters, within columns, lines and of dots that it is given.
    """
    head = Text(" TUNER   " + (_facts(tuner) if tuner.note else "pluck one string"), "bold")
    lines = [head, Text("")]
    foot = [Text(FOOT, "dim")] if height > 10 else []
    if tuner.note:
        dot = "#" if plain_characters else "█"
        for text, dots in zip((tuner.note, cents_text(tuner)), _sizes(height - 6), strict=True):
            drawn = draw(text, width - 2, dots * DOTS_HIGH, dot)
            style = "bold reverse" if text == tuner.note and _in_tune(tuner) else "bold"
            lines += [Text(row.center(width), style) for row in [*drawn, ""]]
        lines.append(Text(_scale(tuner.cents, width - 2), "bold"))
    lines = lines[: height - len(foot)]
    lines += [Text("")] * (height - len(lines) - len(foot))
    for line in (*lines, *foot):
        line.truncate(width, overflow="crop")
        line.no_wrap = True
    return Group(*lines, *foot)


def _sizes(room: int) -> tuple[int, int]:
    """Lines per dot of the note and of the cents, half as large, that fit into ``room`` lines with one below each."""
    size = 1
    while (size + 1 + (size + 1) // 2) * DOTS_HIGH + 2 <= room:
        size += 1
    return size, max(size // 2, 1)


def cents_text(tuner: TunerView) -> str:
    """Return the cents: in tenths at rest, whole ones while the pitch moves."""
    return f"{tuner.cents:+.1f}" if tuner.rests else f"{tuner.cents:+.0f}"


def _in_tune(tuner: TunerView) -> bool:
    """Whether it is in tune by the cents that are shown, so that words and number never disagree."""
    return abs(float(cents_text(tuner))) <= IN_TUNE_CENTS


def tuner_word(tuner: TunerView) -> str:
    """Return whether the string is in tune, flat or sharp."""
    return "in tune" if _in_tune(tuner) else "flat" if tuner.cents < 0.0 else "sharp"


def _facts(tuner: TunerView) -> str:
    offset = f" ({tuner.offset_cents:+.1f} cents asked for)" if tuner.offset_cents else ""
    return f"string {tuner.string}   {tuner.note} {cents_text(tuner)} {tuner_word(tuner)}   {tuner.hz:.2f} Hz{offset}"


def _scale(cents: float, width: int) -> str:
    middle = width // 2
    place = middle + round(middle * max(-1.0, min(cents / SCALE_CENTS, 1.0)))
    marks = ["|" if column == middle else "-" for column in range(width)]
    for column in (place - 1, place, place + 1):
        if 0 <= column < width:
            marks[column] = "#"
    return " " + "".join(marks)
