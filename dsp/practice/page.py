"""The practice page, ``practice.html``: one HTML file that needs no network and no other file.

Browsers let a page that was opened from a disk or a phone's memory read no file beside it, so all that it needs stands
in it: both parts at full speed (`page_sound`) and the picture of the take. Slower speeds are made while it plays. A
minute of a take takes about one and a half megabytes.
"""

import base64
import html
import json
from collections.abc import Mapping, Sequence
from importlib.resources import files
from pathlib import Path
from typing import Any

from thumbline.dsp.errors import InputError
from thumbline.dsp.practice.page_sound import PageStem, describe, elements

#: Sources of the page, in the order in which they are put together: what runs in the audio thread, and what does not.
_TAPE = ("blocks.js", "reader.js", "tape.js", "guard.js", "worklet.js")
_SCRIPT = (
    *("memory.js", "player.js", "picture.js", "lanes.js", "mixer.js", "meter.js"),
    *("loops.js", "keys.js", "screen.js", "page.js"),
)
#: Keys of the index that the page reads.
_KEYS = (
    "take",
    "seconds",
    "instrument",
    "transpose",
    "tempo",
    "beats",
    "loops",
    "bass_notes",
    "guitar_notes",
    "pictures",
)


def write_page(
    path: Path, index: Mapping[str, Any], picture: Path, stems: Sequence[PageStem], threads: int = 1
) -> None:
    """Write the page of a practice set to ``path``.

    ``index`` is as in ``practice_index``, ``picture`` the file of its overview; ``stems`` are both parts at full speed,
    each as loud as in the mix of both. Raises InputError if the picture is missing.
    """
    path.write_text(page_text(index, picture, stems, threads), "utf-8")


def ingredients(index: Mapping[str, Any]) -> tuple[list[str], dict[str, Any]]:
    """Return all that the page is made from besides sound and picture: its sources, and what it reads of the index."""
    folder = files("thumbline.dsp.practice") / "web"
    sources = [(folder / name).read_text("utf-8") for name in ("page.html", "page.css", *_TAPE, *_SCRIPT)]
    return sources, {key: index[key] for key in _KEYS}


def page_text(index: Mapping[str, Any], picture: Path, stems: Sequence[PageStem], threads: int = 1) -> str:
    """Return the page of a practice set."""
    source = files("thumbline.dsp.practice") / "web"

    def sources(names: tuple[str, ...]) -> str:
        return "\n".join((source / name).read_text("utf-8").strip() for name in names)

    if not picture.is_file():
        raise InputError(f"{picture}: is missing; make the practice set again")
    data = base64.b64encode(picture.read_bytes()).decode()
    shown = {key: index[key] for key in _KEYS} | {"sound": describe(stems)}
    drawn = f'<script type="text/plain" id="picture-data">data:image/png;base64,{data}</script>'
    parts = {
        "title": html.escape(index["take"]),
        "style": sources(("page.css",)),
        # In a script element only "</" and "<!--" mean anything (HTML Living Standard, 4.12.1.3).
        "index": json.dumps(shown, allow_nan=False, ensure_ascii=False).replace("<", "\\u003c"),
        "sounds": "\n".join([*elements(stems, threads), drawn]),
        "tape": sources(_TAPE),
        "script": '"use strict";\n' + sources(_SCRIPT),
    }
    pieces = (source / "page.html").read_text("utf-8").split("@")
    return "".join(parts[piece] if i % 2 else piece for i, piece in enumerate(pieces))
