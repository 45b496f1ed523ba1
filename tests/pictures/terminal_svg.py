"""A terminal's screen as SVG: letters as text on a grid, block characters as boxes, for which no font is needed."""

import re
from collections.abc import Iterable
from html import escape
from itertools import groupby

from rich.console import Console, RenderableType
from rich.segment import Segment

#: Pixels of one character, and around all.
WIDE, HIGH, EDGE = 10, 20, 12
GROUND, INK = "#14181b", "#ece9e2"
#: Boxes (left, top, right, bottom) of block characters, as shares of the cell (Unicode, block elements 2580 to 259F).
BLOCKS = {
    "█": (0.0, 0.0, 1.0, 1.0),
    "▀": (0.0, 0.0, 1.0, 0.5),
    "▄": (0.0, 0.5, 1.0, 1.0),
    **{part: (0.0, 0.0, eighths / 8, 1.0) for eighths, part in enumerate("▏▎▍▌▋▊▉", 1)},
}
HATCH = "▒"


def terminal_svg(drawn: RenderableType, width: int, height: int, title: str) -> str:
    """Return what rich prints into a terminal of ``width`` columns and ``height`` lines."""
    console = Console(width=width, height=height, force_terminal=True, color_system="truecolor")
    lines = console.render_lines(drawn, console.options.update(width=width, height=height), pad=True)
    wide, high = width * WIDE + 2 * EDGE, height * HIGH + 2 * EDGE
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {wide} {high}" role="img">',
        f"<title>{escape(title)}</title>",
        f'<rect width="{wide}" height="{high}" fill="{GROUND}"/>',
        '<pattern id="h" width="4" height="4" patternUnits="userSpaceOnUse">'
        f'<path d="M0 4L4 0" stroke="{INK}" stroke-width="1"/></pattern>',
        f'<g font-family="monospace" font-size="{HIGH * 0.8:g}">',
    ]
    for row, line in enumerate(lines[:height]):
        parts += _line(line, row)
    return "\n".join([*parts, "</g>", "</svg>", ""])


def _line(line: Iterable[Segment], row: int) -> list[str]:
    """Draw one line, what has the same look together."""
    parts, column, top = [], 0, EDGE + row * HIGH
    for segment in line:
        style = segment.style
        reverse, bold = bool(style and style.reverse), bool(style and style.bold)
        ground, ink = (INK, GROUND) if reverse else (GROUND, INK)
        left = EDGE + column * WIDE
        if reverse:
            parts.append(
                f'<rect x="{left}" y="{top}" width="{len(segment.text) * WIDE}" height="{HIGH}" fill="{ground}"/>'
            )
        for kind, letters in groupby(segment.text, key=lambda each: each if each in BLOCKS or each == HATCH else ""):
            text = "".join(letters)
            x, wide = EDGE + column * WIDE, len(text) * WIDE
            column += len(text)
            if kind == HATCH:
                parts.append(_rect(x, top, wide, HIGH, "url(#h)"))
            elif kind:
                parts.append(_block(kind, x, top, wide, ink))
            else:
                weight = ' font-weight="bold"' if bold else ""
                for words in re.finditer(r"\S+(?: \S+)*", text):  # what stands far apart keeps its place
                    at, length = x + words.start() * WIDE, len(words.group()) * WIDE
                    parts.append(
                        f'<text x="{at}" y="{top + HIGH * 0.75:g}" textLength="{length}" fill="{ink}"{weight}>'
                        f"{escape(words.group())}</text>"
                    )
    return parts


def _block(kind: str, x: float, top: float, wide: float, ink: str) -> str:
    left, up, right, down = BLOCKS[kind]
    width = wide * right if right < 1.0 else wide
    return _rect(x + left * WIDE, top + up * HIGH, width, (down - up) * HIGH, ink)


def _rect(x: float, y: float, wide: float, high: float, fill: str) -> str:
    return f'<rect x="{x:g}" y="{y:g}" width="{wide:g}" height="{high:g}" fill="{fill}"/>'
