"""One string on the screen: its note, how well it is in tune, its level, and what it is at the moment.

Nothing rests on colour: the bass is inverted and says BASS, a string that is heard in the guitar says so, one that is
silent and muted is hatched, and pitch has a needle and a word.
"""

from collections.abc import Sequence
from dataclasses import dataclass

from rich.text import Text

from thumbline.cli.console.glyphs import DOTS_HIGH, large, small
from thumbline.cli.console.view import StringView

#: Bars begin here, in dBFS.
LOWEST_DB = -60.0
#: The needle's ends, in cents; within this much a string is in tune (common practice, no source).
NEEDLE_CENTS, IN_TUNE_CENTS = 50.0, 3
#: Narrower terminals have one line per string; from the second width on there is room for the largest letters.
NARROW, WIDE = 76, 106
#: The tallest rows.
TALLEST = 7
#: Columns of the word that says what a string is.
STATE_WIDE = 8
_EIGHTHS = " ▏▎▍▌▋▊▉█"


@dataclass(frozen=True)
class _Column:
    """A part of a string's row: as many lines as the row is tall, all equally wide."""

    lines: Sequence[str]
    style: str = ""


def row_height(strings: int, width: int, room: int) -> int:
    """Return how many lines each string gets in a terminal of ``width`` columns with ``room`` lines for all: 1, or
    3 to 7."""
    if width < NARROW or room // strings < 3:
        return 1
    return min(room // strings, TALLEST if width >= WIDE else 4)


def string_row(string: StringView, width: int, tall: int, *, plain: bool) -> list[Text]:
    """Return the lines of one string, the bass inverted; ``plain`` keeps one line to ASCII."""
    columns = _one_line(string, width, plain) if tall == 1 else _big(string, width, tall)
    lines = []
    for row in range(tall):
        line = Text(" ")
        for column in columns:
            line.append(column.lines[row], column.style).append("  ")
        line.pad_right(max(width - line.cell_len, 0))
        if string.bass:
            line.stylize("bold reverse")
        lines.append(line)
    return lines


def _one_line(string: StringView, width: int, plain: bool) -> list[_Column]:
    room = max(width - 51, 0)
    bar = _bar(string.level_db, room)
    if plain:
        bar = "#" * round(room * _share(string.level_db)) + " " * (room - round(room * _share(string.level_db)))
    return [
        _Column([f"{string.number:2d} {string.open_note:3}"]),
        _Column([f"{string.note:4}"], "bold"),
        *([_Column([_pitch_words(string, arrows=not plain).center(13)])] if width >= 48 else []),
        *([_Column([bar])] if room else []),
        _Column([string.state.ljust(STATE_WIDE)]),
        _Column(["BASS" if string.bass else "    "]),
    ]


def _big(string: StringView, width: int, tall: int) -> list[_Column]:
    draw = small if tall < DOTS_HIGH else large
    note, word = draw(string.note.ljust(3)[:4]), draw("BASS" if string.bass else "    ")
    if len(string.note) > 3:  # as in C#-1, beyond any string: kept from pushing the rest aside
        note = [line[: len(draw("   ")[0])] for line in note]
    wide = len(note[0])
    needle = 21 if tall < DOTS_HIGH or width < WIDE + 20 else 41
    room = max(width - 1 - 4 - wide - needle - STATE_WIDE - len(word[0]) - 6 * 2, 4)
    solid = tall - 1  # the last line holds words
    number = [""] * tall
    number[0], number[1] = str(string.number), string.open_note
    return [
        _Column([f"{text:>3} " for text in number], "bold"),
        _Column(_filled(note, tall), "bold"),
        _Column([*_needle(string, needle, solid), _pitch_words(string, arrows=True).center(needle)]),
        _Column([*[_bar(string.level_db, room)] * solid, _level_words(string).ljust(room)]),
        _Column(_state_block(string, tall)),
        _Column(_filled(word, tall)),
    ]


def _filled(lines: list[str], tall: int) -> list[str]:
    return [*lines, *[" " * len(lines[0])] * (tall - len(lines))]


def _needle(string: StringView, wide: int, tall: int) -> list[str]:
    """A mark over a scale whose middle is the note itself; nothing while there is no note."""
    if not string.note:
        return [" " * wide] * tall
    middle = wide // 2
    scale = ["·" if column % 5 == middle % 5 else " " for column in range(wide)]
    scale[middle] = "│"
    place = middle + round(middle * max(-1.0, min(string.cents / NEEDLE_CENTS, 1.0)))
    for column in (place - 1, place, place + 1) if not _in_tune(string) else range(middle - 2, middle + 3):
        if 0 <= column < wide:
            scale[column] = "█"
    return ["".join(scale)] * tall


def _in_tune(string: StringView) -> bool:
    """Whether it is in tune by the whole cents that are shown, so that word and number never disagree."""
    return abs(round(string.cents)) <= IN_TUNE_CENTS


def _pitch_words(string: StringView, *, arrows: bool) -> str:
    if not string.note:
        return ""
    if _in_tune(string):
        return f"in tune {string.cents:+.0f}"
    if string.cents < 0:
        return ("◀ " if arrows else "") + f"flat {string.cents:+.0f}"
    return f"sharp {string.cents:+.0f}" + (" ▶" if arrows else "")


def _share(level_db: float) -> float:
    return max(0.0, min((level_db - LOWEST_DB) / -LOWEST_DB, 1.0))


def _bar(level_db: float, wide: int) -> str:
    eighths = round(8 * wide * _share(level_db))
    whole, part = divmod(eighths, 8)
    bar = "█" * whole + (_EIGHTHS[part] if part else "")
    return bar.ljust(wide)


def _level_words(string: StringView) -> str:
    return f"{string.level_db:.0f} dB" if string.level_db > LOWEST_DB else ""


def _state_block(string: StringView, tall: int) -> list[str]:
    middle = (tall - 1) // 2
    hatch = "▒" if string.muted and not string.sounding and not string.bass else " "
    lines = [hatch * STATE_WIDE] * tall
    lines[middle] = string.state.center(STATE_WIDE)
    if tall > 3:
        lines[-1] = " " * STATE_WIDE
    return lines
