"""Letters that can be read across a room: note names and a word or two, drawn with block characters."""

#: Three by five dots each, a row after the other.
_DOTS = {
    "A": ".#. #.# ### #.# #.#",
    "B": "##. #.# ##. #.# ##.",
    "C": ".## #.. #.. #.. .##",
    "D": "##. #.# #.# #.# ##.",
    "E": "### #.. ##. #.. ###",
    "F": "### #.. ##. #.. #..",
    "G": ".## #.. #.# #.# .##",
    "S": ".## #.. .#. ..# ##.",
    "#": "#.# ### #.# ### #.#",
    "-": "... ... ### ... ...",
    "0": ".#. #.# #.# #.# .#.",
    "1": ".#. ##. .#. .#. ###",
    "2": "##. ..# .#. #.. ###",
    "3": "##. ..# .#. ..# ##.",
    "4": "#.# #.# ### ..# ..#",
    "5": "### #.. ##. ..# ##.",
    "6": ".## #.. ##. #.# .#.",
    "7": "### ..# .#. .#. .#.",
    "8": ".#. #.# .#. #.# .#.",
    "9": ".#. #.# .## ..# ##.",
    "+": "... .#. ### .#. ...",
    ".": "... ... ... ... .#.",
    " ": "... ... ... ... ...",
}
DOTS_HIGH = 5
_HALVES = {(False, False): " ", (True, False): "▀", (False, True): "▄", (True, True): "█"}


def small(text: str) -> list[str]:
    """Return ``text`` as three lines, two dots to a character; unknown characters are left blank."""
    rows = [*_rows(text, 1), ""]
    return [
        "".join(_HALVES[upper == "#", lower == "#"] for upper, lower in zip(top, bottom.ljust(len(top)), strict=True))
        for top, bottom in zip(rows[::2], rows[1::2], strict=True)
    ]


def large(text: str) -> list[str]:
    """Return ``text`` as five lines, a dot to two characters."""
    return [row.replace(".", " ").replace("#", "█") for row in _rows(text, 2)]


def huge(text: str, width: int, height: int, dot: str = "█") -> list[str]:
    """Return ``text`` as large as ``width`` columns and ``height`` lines allow, a dot at least two characters wide."""
    dots = 4 * len(text) - 1
    tall = max(min(height // DOTS_HIGH, width // (2 * dots)), 1)
    rows = _rows(text, min(2 * tall, max(width // dots, 1)))
    return [row.replace(".", " ").replace("#", dot) for row in rows for _ in range(tall)]


def _rows(text: str, wide: int) -> list[str]:
    """``DOTS_HIGH`` rows of ``#`` and ``.``, a gap of one dot between letters, each dot ``wide`` characters."""
    letters = [_DOTS.get(letter, _DOTS[" "]).split() for letter in text.upper()]
    rows = [".".join(letter[row] for letter in letters) for row in range(DOTS_HIGH)]
    return ["".join(dot * wide for dot in row) for row in rows]
