"""The first screen: what can hurt is said before the first sound, at any size of terminal."""

from dataclasses import replace
from io import StringIO

import pytest
from rich.console import Console

from tests.cli.console.test_screen import make_view
from thumbline.cli.console.cautions import CAUTIONS, caution_text, first_screen

NOTHING_NEW = replace(make_view(), notice="", alarm=False)


def drawn(width: int, height: int, notice: str = "", page: str = "") -> list[str]:
    view = replace(NOTHING_NEW, notice=notice, alarm=bool(notice), page=page)
    console = Console(file=StringIO(), width=width, height=height, color_system=None)
    with console.capture() as capture:
        console.print(first_screen(view, width, height))
    return capture.get().rstrip("\n").splitlines()


@pytest.mark.parametrize(("width", "height"), [(80, 24), (120, 45), (60, 20), (200, 60)])
def test_all_cautions_fit_and_the_last_line_says_how_to_go_on(width: int, height: int) -> None:
    lines = drawn(width, height)
    assert len(lines) <= height
    assert all(len(line) <= width for line in lines)
    assert " ".join(" ".join(lines[:-1]).split()) == " ".join(CAUTIONS)
    assert lines[-1].startswith(" space: sound on")


@pytest.mark.parametrize(("width", "height"), [(40, 12), (30, 8), (20, 5)])
def test_in_a_small_terminal_each_is_begun_and_the_key_stays(width: int, height: int) -> None:
    lines = drawn(width, height)
    assert len(lines) <= height
    text = "\n".join(lines)
    for caution in CAUTIONS:
        assert caution.split()[0] in text
    assert lines[-1] == " space: sound on"


@pytest.mark.parametrize("height", [1, 2, 3])
def test_in_the_smallest_the_key_is_what_stays(height: int) -> None:
    lines = drawn(20, height)
    assert len(lines) <= height
    assert lines[-1] == " space: sound on"


def test_what_is_wrong_is_said_there_too() -> None:
    assert any("!! The interface has gone" in line for line in drawn(80, 24, "The interface has gone"))


def test_the_code_of_the_stage_page_is_said_there_too() -> None:
    words = "page http://127.0.0.1:61240/  code 1234 5678"
    assert f" {words}" in [line.rstrip() for line in drawn(80, 24, page=words)]


def test_the_cautions_name_what_can_hurt_and_who_decides() -> None:
    text = " ".join(caution_text().split())
    for words in (
        "in-ears",
        "amplifier turned down",
        "protective earth",
        "licensed electricians",
        "RCD, GFCI",
        "local code",
    ):
        assert words in text
