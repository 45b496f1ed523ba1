"""The practice page, ``practice.html``: one HTML file that needs no network and no other file.

Browsers let a page that was opened from a disk or a phone's memory read no file beside it, so all that it needs stands
in it: the stems at full speed as FLAC of 16 bits (RFC 9639, which browsers decode), base64-encoded (RFC 4648). Slower
speeds are made while it plays. A minute of a take takes about five megabytes.
"""

import base64
import html
import io
import json
from collections.abc import Callable, Mapping
from importlib.resources import files
from pathlib import Path
from typing import Any

import numpy as np
import soundfile

from thumbline.dsp.errors import InputError
from thumbline.dsp.files.sound_files import file_name
from thumbline.dsp.practice.parts import in_threads

#: Sources of the page, in the order in which they are put together.
_TAPE = ("reader.js", "tape.js", "worklet.js")
_SCRIPT = ("player.js", "picture.js", "ribbon.js", "mixer.js", "meter.js", "page.js")
#: Keys of the index that the page reads.
_KEYS = (
    "take",
    "seconds",
    "instrument",
    "transpose",
    "tempo",
    "beats",
    "speeds",
    "loops",
    "bass_notes",
    "guitar_notes",
    "pictures",
)


def write_page(path: Path, index: Mapping[str, Any], find: Callable[[str], Path], threads: int = 1) -> None:
    """Write the page of a practice set to ``path``.

    ``index`` is as in ``practice_index``; ``find`` tells where a file that it names lies. Raises InputError if a
    stem or the picture is missing.
    """
    path.write_text(page_text(index, find, threads), "utf-8")


def ingredients(index: Mapping[str, Any]) -> tuple[list[str], dict[str, Any], list[str]]:
    """Return all that the page is made from: its sources, what it reads of the index, and the files in it."""
    folder = files("thumbline.dsp.practice") / "web"
    sources = [(folder / name).read_text("utf-8") for name in ("page.html", "page.css", *_TAPE, *_SCRIPT)]
    taken = [name for stem in _stems(index) for name in stem["files"].values()]
    return sources, {key: index[key] for key in _KEYS}, [*taken, index["pictures"]["overview"]["file"]]


def page_text(index: Mapping[str, Any], find: Callable[[str], Path], threads: int = 1) -> str:
    """Return the page of a practice set."""
    source = files("thumbline.dsp.practice") / "web"

    def sources(names: tuple[str, ...]) -> str:
        return "\n".join((source / name).read_text("utf-8").strip() for name in names)

    picture = find(index["pictures"]["overview"]["file"])
    if not picture.is_file():
        raise InputError(f"{picture}: is missing; make the practice set again")
    sounds = in_threads(threads, lambda stem: _stem(stem, find), _stems(index))
    data = base64.b64encode(picture.read_bytes()).decode()
    sounds.append(f'<script type="text/plain" id="picture-data">data:image/png;base64,{data}</script>')
    shown = {key: index[key] for key in _KEYS}
    parts = {
        "title": html.escape(index["take"]),
        "style": sources(("page.css",)),
        # In a script element only "</" and "<!--" mean anything (HTML Living Standard, 4.12.1.3).
        "index": json.dumps(shown, allow_nan=False, ensure_ascii=False).replace("<", "\\u003c"),
        "sounds": "\n".join(sounds),
        "tape": sources(_TAPE),
        "script": '"use strict";\n' + sources(_SCRIPT),
    }
    pieces = (source / "page.html").read_text("utf-8").split("@")
    return "".join(parts[piece] if i % 2 else piece for i, piece in enumerate(pieces))


def _stems(index: Mapping[str, Any]) -> list[Mapping[str, Any]]:
    return [stem for stem in index["stems"] if stem["speed"] == 100 and stem["part"] != "click"]


def _stem(stem: Mapping[str, Any], find: Callable[[str], Path]) -> str:
    path = next((path for path in map(find, stem["files"].values()) if path.is_file()), None)
    if path is None:
        raise InputError(f"the {stem['part']} stem is missing; make the practice set again")
    sound, rate = soundfile.read(file_name(path), dtype="float32", always_2d=True)
    sound *= np.float32(10.0 ** (stem["mix_gain_db"] / 20.0))
    lead = round(-stem["starts_s"] * rate)
    content = io.BytesIO()
    soundfile.write(content, sound[max(lead, 0) :], rate, "PCM_16", format="FLAC")
    encoded = base64.b64encode(content.getvalue()).decode()
    return f'<script type="text/plain" data-stem="{stem["part"]}">{encoded}</script>'
