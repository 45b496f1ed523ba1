"""The pictures of the README are those of today's programs, small, described in words, and legible."""

import re
from pathlib import Path

import pytest
from matplotlib.colors import to_rgb
from PIL import Image

from tests.helpers.places import DATA
from tests.pictures import terminal_svg, wiring
from tests.pictures.make import DRAWN, INGREDIENTS, ROOT, digest, made_from
from thumbline.dsp.results import paper

README = (ROOT / "README.md").read_text("utf-8")
CSS = (ROOT / "dsp" / "practice" / "web" / "page.css").read_text("utf-8")


def test_no_picture_is_stale() -> None:
    stale = [name for name, draw in DRAWN.items() if (DATA / name).read_text("utf-8") != draw()]
    stale += [name for name, parts in INGREDIENTS.items() if made_from(DATA / name) != digest(parts)]
    assert not stale, "run python -m tests.pictures.make"


@pytest.mark.parametrize("name", [*DRAWN, *INGREDIENTS])
def test_pictures_are_small_shown_and_said_in_words(name: str) -> None:
    assert (DATA / name).stat().st_size <= 150_000
    (words,) = re.findall(rf"!\[([^\]]+)\]\(data/{re.escape(name)}\)", README)
    assert len(words) > 40
    if name.endswith(".png"):
        with Image.open(DATA / name) as image:
            assert image.width <= 1600
    else:
        assert re.search(r"<title>[^<]{60,}</title>", (DATA / name).read_text("utf-8"))


def contrast(one: str, other: str) -> float:
    """Contrast of two colours, as WCAG 2.1 defines it."""

    def luminance(colour: str) -> float:
        linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in to_rgb(colour)]
        return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]

    dark, light = sorted((luminance(one), luminance(other)))
    return (light + 0.05) / (dark + 0.05)


def themes() -> list[dict[str, str]]:
    """Return the colours of the page by name: in light, and in the dark."""
    blocks = (CSS.split("@media", 1)[0], CSS.split("prefers-color-scheme: dark", 1)[1].split("}", 1)[0])
    light, dark = (dict(re.findall(r"--([\w-]+): (#\w+);", block)) for block in blocks)
    return [light, {**light, **dark}]


# WCAG 2.1: 4.5:1 for text (1.4.3), 3:1 for what is needed to understand a graphic or a control (1.4.11).
@pytest.mark.parametrize("theme", themes(), ids=["light", "dark"])
def test_the_page_can_be_read(theme: dict[str, str]) -> None:
    for ink, ground in (
        ("text", "ground"),
        ("text", "paper"),
        ("quiet", "ground"),
        ("on-ink", "ink"),
        ("on-note", "note"),
    ):
        assert contrast(theme[ink], theme[ground]) >= 4.5, (ink, ground)
    for line, ground in (
        ("ink", "paper"),
        ("note", "paper"),
        ("edge", "ground"),
        ("edge", "paper"),
        ("accent", "ground"),
    ):
        assert contrast(theme[line], theme[ground]) >= 3.0, (line, ground)


def test_pictures_can_be_read() -> None:
    for ink in (paper.INK, paper.QUIET):
        assert contrast(ink, "white") >= 4.5
        assert contrast(ink, paper.BAND) >= 4.5
    for line in (paper.BASS, paper.GUITAR, paper.GUITAR_EDGE, paper.STEP, paper.BAR, paper.WRONG):
        assert contrast(line, paper.BAND) >= 3.0, line
        assert contrast(line, "white") >= 3.0, line
    assert contrast(terminal_svg.INK, terminal_svg.GROUND) >= 4.5
    for ground in (wiring.GROUND, wiring.BOX):
        assert contrast(wiring.INK, ground) >= 4.5
        assert contrast(wiring.LINE, ground) >= 3.0


def test_every_colour_of_an_svg_picture_is_one_whose_contrast_is_known() -> None:
    known = {terminal_svg.INK, terminal_svg.GROUND, wiring.GROUND, wiring.INK, wiring.LINE, wiring.BOX, "none"}
    for name in DRAWN:
        used = set(re.findall(r'(?:fill|stroke)="([^"]+)"', Path(DATA / name).read_text("utf-8")))
        assert used - {"url(#h)"} <= known
