"""Letters that can be read across a room: note names, songs and a word or two, drawn with block characters."""

import unicodedata

#: Five rows of dots each, one row after the other; as wide as they need to be.
_DOTS = {
    "A": ".#. #.# ### #.# #.#",
    "B": "##. #.# ##. #.# ##.",
    "C": ".## #.. #.. #.. .##",
    "D": "##. #.# #.# #.# ##.",
    "E": "### #.. ##. #.. ###",
    "F": "### #.. ##. #.. #..",
    "G": ".## #.. #.# #.# .##",
    "H": "#.# #.# ### #.# #.#",
    "I": "### .#. .#. .#. ###",
    "J": "..# ..# ..# #.# .#.",
    "K": "#.# ##. #.. ##. #.#",
    "L": "#.. #.. #.. #.. ###",
    "M": "#...# ##.## #.#.# #...# #...#",
    "N": "#..# ##.# #.## #..# #..#",
    "O": "### #.# #.# #.# ###",
    "P": "##. #.# ##. #.. #..",
    "Q": ".#. #.# #.# .#. ..#",
    "R": "##. #.# ##. #.# #.#",
    "S": ".## #.. .#. ..# ##.",
    "T": "### .#. .#. .#. .#.",
    "U": "#.# #.# #.# #.# ###",
    "V": "#.# #.# #.# #.# .#.",
    "W": "#...# #...# #.#.# ##.## #...#",
    "X": "#.# #.# .#. #.# #.#",
    "Y": "#.# #.# .#. .#. .#.",
    "Z": "### ..# .#. #.. ###",
    "#": "#.# ### #.# ### #.#",
    "-": "... ... ### ... ...",
    "'": "# # . . .",
    ".": ". . . . #",
    ",": ". . . # #",
    "!": "# # # . #",
    "&": ".#. #.# .#. #.# .##",
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
    " ": "... ... ... ... ...",
}
DOTS_HIGH = 5
_HALVES = {(False, False): " ", (True, False): "▀", (False, True): "▄", (True, True): "█"}


def can_draw(text: str) -> bool:
    """Whether every character of ``text`` has a shape here, once its accents are left out."""
    return all(letter in _DOTS for letter in _bare(text))


def small(text: str) -> list[str]:
    """Return ``text`` as three lines, two dots to a character; unknown characters are left blank."""
    rows = [*_rows(text, 1), ""]
    return [
        "".join(_HALVES[upper == "#", lower == "#"] for upper, lower in zip(top, bottom.ljust(len(top)), strict=True))
        for top, bottom in zip(rows[::2], rows[1::2], strict=True)
    ]


def large(text: str) -> list[str]:
    """Return ``text`` as five lines, one dot to two characters."""
    return [row.replace(".", " ").replace("#", "█") for row in _rows(text, 2)]


def huge(text: str, width: int, height: int, dot: str = "█") -> list[str]:
    """Return ``text`` as large as ``width`` columns and ``height`` lines allow, a dot at least two characters wide."""
    dots = 4 * len(text) - 1
    tall = max(min(height // DOTS_HIGH, width // (2 * dots)), 1)
    rows = _rows(text, min(2 * tall, max(width // dots, 1)))
    return [row.replace(".", " ").replace("#", dot) for row in rows for _ in range(tall)]


def _rows(text: str, wide: int) -> list[str]:
    """``DOTS_HIGH`` rows of ``#`` and ``.``, a gap of one dot between letters, each dot ``wide`` characters."""
    letters = [_DOTS.get(letter, _DOTS[" "]).split() for letter in _bare(text)]
    rows = [".".join(letter[row] for letter in letters) for row in range(DOTS_HIGH)]
    return ["".join(dot * wide for dot in row) for row in rows]


def _bare(text: str) -> str:
    """Capitals without accents."""
    parts = unicodedata.normalize("NFD", text.upper().replace("\u2019", "'"))
    return "".join(part for part in parts if not unicodedata.combining(part))
