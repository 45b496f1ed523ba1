"""The wiring as a sketch: from the pickup to the inputs, and from the outputs to what makes the sound."""

from html import escape

GROUND, INK, QUIET, LINE, BOX = "#ffffff", "#1d2226", "#4f5659", "#6b6455", "#f4f1eb"
WIDE, HIGH = 1000, 500
STRINGS = ("E4", "B3", "G3", "D3", "A2", "E2")
#: What is said beside the inputs; the README says the same in words.
CARE = ("phantom power (48 V) off", "direct monitoring off", "one gain per string:", "hardest pluck below 0 dBFS")
TITLE = (
    "Wiring: the pickup's one multi-pin cable goes to a breakout box, from there each string to an input of its own; "
    "phantom power is off, each input has its own gain; outputs go to bass and guitar amplifiers, MIDI to the sound "
    "module"
)


def wiring_svg() -> str:
    """Return the sketch."""
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDE} {HIGH}" role="img" '
        'font-family="sans-serif" font-size="18">',
        f"<title>{escape(TITLE)}</title>",
        f'<rect width="{WIDE}" height="{HIGH}" fill="{GROUND}"/>',
        *_box(20, 120, 150, 200, "guitar"),
        *_box(300, 90, 130, 260, "breakout box"),
        *_box(560, 60, 190, 330, "audio interface"),
    ]
    for number, note in enumerate(STRINGS, 1):
        y = 110 + 36 * number
        parts += [
            _line(20, 150 + 22 * number, 170, 150 + 22 * number, 1.0 + 0.5 * number),  # a string, thicker the lower
            _line(430, y, 560, y, 2),
            f'<circle cx="430" cy="{y}" r="5" fill="{INK}"/><circle cx="560" cy="{y}" r="5" fill="{INK}"/>',
            _words(418, y + 6, note, "end"),
            _words(574, y + 6, f"input {number}"),
        ]
    parts += [
        f'<rect x="92" y="156" width="22" height="146" fill="{INK}"/>',
        _words(103, 346, "one coil per string", "middle"),
        _line(114, 229, 300, 229, 7),
        f'<rect x="286" y="211" width="22" height="36" fill="{INK}"/>',
        _words(236, 214, "multi-pin", "middle"),
        _words(236, 252, "cable", "middle"),
        _words(495, 120, "six cables", "middle"),
        _words(365, 372, "powers the pickup", "middle"),
        *(_words(560, 414 + 22 * at, words) for at, words in enumerate(CARE)),
        *_out(110, "output 1", "bass amplifier"),
        *_out(190, "output 2", "guitar amplifier"),
        *_out(270, "MIDI", "sound module"),
        *_out(350, "USB", "computer with Thumbline"),
    ]
    return "\n".join([*parts, "</svg>", ""])


def _box(x: int, y: int, wide: int, high: int, name: str) -> list[str]:
    return [
        f'<rect x="{x}" y="{y}" width="{wide}" height="{high}" rx="8" fill="{BOX}" stroke="{LINE}" stroke-width="2"/>',
        _words(x + wide / 2, y - 12, name, "middle", bold=True),
    ]


def _out(y: int, port: str, to: str) -> list[str]:
    return [_line(750, y, 800, y, 2), _words(740, y + 6, port, "end"), *_wrapped(808, y, to)]


def _wrapped(x: int, y: int, words: str) -> list[str]:
    first, _, rest = words.partition(" with ")
    return [_words(x, y + 6, first, bold=True), *([_words(x, y + 28, f"with {rest}")] if rest else [])]


def _line(x1: float, y1: float, x2: float, y2: float, wide: float) -> str:
    return f'<path d="M{x1:g} {y1:g}H{x2:g}" stroke="{LINE}" stroke-width="{wide:g}" fill="none"/>'


def _words(x: float, y: float, words: str, anchor: str = "start", *, bold: bool = False) -> str:
    weight = ' font-weight="bold"' if bold else ""
    return f'<text x="{x:g}" y="{y:g}" text-anchor="{anchor}" fill="{INK}"{weight}>{escape(words)}</text>'
