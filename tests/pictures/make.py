"""The pictures of the README, made by the programs they show: `python -m tests.pictures.make` writes them into data/.

A picture is stale when what it was made from has changed. SVG pictures are made anew and compared; the others carry a
digest of their ingredients, since browsers and fonts do not draw the same pixels everywhere.
"""

import ast
import hashlib
import json
import tempfile
from collections.abc import Callable
from contextlib import suppress
from io import BytesIO
from pathlib import Path
from typing import Any

from PIL import Image, PngImagePlugin

from tests.helpers.places import DATA
from tests.helpers.system_parts import need
from tests.pictures.snapshot import KEPT
from tests.pictures.terminal_svg import terminal_svg
from tests.pictures.wiring import wiring_svg
from thumbline.cli.console.screen import screen
from thumbline.cli.console.view import EngineView, MidiView, StringView, View

ROOT = Path(__file__).parents[2]
#: Under which a picture keeps the digest of what it was made from.
MADE_FROM = "Made from"
DEMO = ("data/demo.flac", "data/demo.toml")
PAPER = ("dsp/results/paper.py", "dsp/results/sheet.py")
PAGE = ("page.html", "page.css", "picture.js", "lanes.js")
#: Pixels of a picture's width in the README at most.
WIDEST = 1600
#: The pace of the demo take, which its score says.
BPM = "107.14"


def view_of(status: dict[str, Any]) -> View:
    """Return the view that a status event of `thumbline live --json` tells of."""
    fields = {key: value for key, value in status.items() if key in View.__dataclass_fields__}
    fields["strings"] = tuple(StringView(**string) for string in fields["strings"])
    fields["engine"] = EngineView(**{**fields["engine"], "peaks_db": tuple(fields["engine"]["peaks_db"])})
    fields["midi"] = MidiView(**fields["midi"])
    return View(**{**fields, "feet": tuple(fields["feet"])})


def stage_svg() -> str:
    """Return the stage screen at the moment that was kept."""
    view = view_of(json.loads(KEPT.read_text("utf-8")))
    bass = next(string for string in view.strings if string.bass)
    title = (
        f"The stage screen: song {view.song}, one row per string with note, tuning and level; string {bass.number} "
        f"has the bass, {bass.note}, inverted; the others are muted in the sound module or sound in the guitar"
    )
    return terminal_svg(screen(view, 80, 24), 80, 24, title)


def _practice() -> tuple[bytes, bytes]:
    """Return the practice page as a browser shows it, and the tablature."""
    from playwright.sync_api import sync_playwright

    from thumbline.cli.main import main

    with tempfile.TemporaryDirectory() as name:
        rig = str(DATA / "demo.toml")
        with suppress(SystemExit):
            main(["practice", str(DATA / "demo.flac"), "--rig", rig, "--bpm", BPM, "--out", name, "--speeds", "100"])
        folder = Path(name) / "demo"
        with sync_playwright() as run:
            browser = run.chromium.launch(executable_path=need("chromium"), args=["--no-sandbox"])
            page = browser.new_page(viewport={"width": 1000, "height": 760})
            page.goto((folder / "practice.html").as_uri())
            page.wait_for_function("!document.getElementById('play').disabled")
            shot = page.screenshot()
            browser.close()
        return shot, (folder / "tablature.png").read_bytes()


def _overview() -> bytes:
    from thumbline.dsp.results.render import render_take
    from thumbline.dsp.rig.file import load_rig

    with tempfile.TemporaryDirectory() as name:
        folder = render_take(DATA / "demo.flac", Path(name), load_rig(DATA / "demo.toml")).folder
        return (folder / "overview.png").read_bytes()


def _notebook() -> bytes:
    from thumbline.dsp.notebook.lanes import LanesPicture
    from thumbline.dsp.notebook.workbench import open_workbench

    bench = open_workbench(DATA / "demo.flac", truth=DATA / "demo.json")
    lanes = LanesPicture(bench.rig, bench.levels(), 6.0, 20.0)
    return lanes.draw(bench.decisions(), bench.reference, 23.4).png


#: Pictures that are text, and what makes them.
DRAWN: dict[str, Callable[[], str]] = {"stage.svg": stage_svg, "wiring.svg": wiring_svg}
#: The others, and what they are made from.
INGREDIENTS: dict[str, tuple[str, ...]] = {
    "overview.png": (*DEMO, *PAPER, "dsp/results/overview.py", "dsp/results/overview_layout.py"),
    "tablature.png": (*DEMO, *PAPER, "dsp/practice/tablature.py", "dsp/practice/bass_fingering.py"),
    "practice.png": (
        *DEMO,
        *(f"dsp/practice/web/{file}" for file in ("page.html", "page.css", "picture.js", "lanes.js")),
    ),
    "tuning.png": (*DEMO, *PAPER, "dsp/notebook/lanes.py"),
}


def digest(names: tuple[str, ...]) -> str:
    """Return a digest of files: of Python what it says, without comments, docstrings and layout."""
    whole = hashlib.sha256()
    for name in names:
        content = (ROOT / name).read_bytes()
        whole.update(_meaning(content) if name.endswith(".py") else content)
    return whole.hexdigest()[:24]


def _meaning(source: bytes) -> bytes:
    tree = ast.parse(source)
    for node in ast.walk(tree):
        body = getattr(node, "body", None)
        if isinstance(body, list):
            node.body = [  # type: ignore[attr-defined]
                each for each in body if not (isinstance(each, ast.Expr) and isinstance(each.value, ast.Constant))
            ]
    return ast.dump(tree).encode()


def made_from(picture: Path) -> str:
    """Return the digest that a PNG picture carries."""
    with Image.open(picture) as image:
        return str(image.info.get(MADE_FROM, ""))


def _keep(name: str, png: bytes, most_high: int | None = None) -> None:
    """Write a picture with few colours, cut to its upper part, with the digest of what it was made from."""
    image = Image.open(BytesIO(png)).convert("RGB")
    image = image.crop((0, 0, image.width, min(image.height, most_high or image.height)))
    note = PngImagePlugin.PngInfo()
    note.add_text(MADE_FROM, digest(INGREDIENTS[name]))
    image.quantize(64, dither=Image.Dither.NONE).save(DATA / name, optimize=True, pnginfo=note)


def write_all() -> None:
    """Make every picture."""
    for name, draw in DRAWN.items():
        (DATA / name).write_text(draw(), "utf-8")
    page, tablature = _practice()
    _keep("practice.png", page)
    _keep("tablature.png", tablature, 392)
    _keep("overview.png", _overview())
    _keep("tuning.png", _notebook())


if __name__ == "__main__":
    write_all()
