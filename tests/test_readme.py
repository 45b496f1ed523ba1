"""README is short, in order, and every command, option and link in it exists; `test_readme_walk.py` runs them."""

import re
import shlex

import click
import pytest

from tests.helpers.places import ROOT
from tests.helpers.readme_lines import INLINE, PRINTED, README
from thumbline.cli.main import thumbline

COMMANDS = [line for line in [*PRINTED, *INLINE] if line.startswith("thumbline ")]


def test_readme_is_short_and_says_first_what_comes_first() -> None:
    assert len(README.splitlines()) <= 240
    order = ["Get it and hear it", "What you need", "Five steps", "Practice tracks", "When something is wrong", "More"]
    places = [re.search(rf"^## {words}", README, re.MULTILINE) for words in order]
    assert [place.start() for place in places if place] == sorted(place.start() for place in places if place)
    assert all(places)
    assert README.index("**4. Take care.**") < README.index("thumbline live --rig my-guitar.toml")


def test_links_lead_somewhere() -> None:
    headings = {
        re.sub(r"[^\w -]", "", name.lower()).replace(" ", "-") for name in re.findall(r"^#+ (.+)$", README, re.M)
    }
    for place in re.findall(r"\]\(([^)]+)\)", README):
        assert place[1:] in headings if place.startswith("#") else (ROOT / place).is_file(), place


@pytest.mark.parametrize("line", sorted(set(COMMANDS)))
def test_every_command_and_option_exists(line: str) -> None:
    name, *arguments = shlex.split(line.replace("\\", "/"))[1:]
    command = thumbline.get_command(click.Context(thumbline), name)
    assert command is not None
    while isinstance(command, click.Group):
        name, *arguments = arguments
        command = command.get_command(click.Context(command), name)
        assert command is not None
    if arguments and arguments != ["--help"]:
        try:
            command.make_context(name, [*arguments], help_option_names=["-h", "--help"])
        except click.MissingParameter:
            assert line in INLINE  # said in a sentence, not to be typed
