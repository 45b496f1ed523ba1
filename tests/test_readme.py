"""Every command of the README is one: those that need no interface run as printed, in a folder like a fresh clone.

The first command (install, render) and the last (the tests) are run from the README by the continuous integration. With
``THUMBLINE_README=all`` those that take longer than a moment run too.
"""

import os
import re
import shlex
import shutil
import subprocess
import sys
from pathlib import Path

import click
import pytest

from tests.helpers.places import DATA
from thumbline.cli.main import thumbline

ROOT = Path(__file__).parents[1]
README = (ROOT / "README.md").read_text("utf-8")
BLOCKS = re.findall(r"^```sh\n(.*?)^```$", README, re.MULTILINE | re.DOTALL)
#: Command lines without what follows a #.
PRINTED = [line.split("  #")[0].strip() for block in BLOCKS for line in block.splitlines() if line.strip()]
INLINE = [each for each in re.findall(r"`(thumbline [^`]+)`", README) if "..." not in each]
COMMANDS = [line for line in [*PRINTED, *INLINE] if line.startswith("thumbline ")]
#: These wait for a player, an interface or a foot.
WAIT = ("thumbline ports", "thumbline live", "thumbline mutes", "thumbline unmute", "thumbline rig learn")
LONG = ("thumbline practice", "thumbline refine", "thumbline score", "thumbline render", "thumbline live --rig data/")


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
            command.make_context(name, [*arguments])
        except click.MissingParameter:
            assert line in INLINE  # said in a sentence, not to be typed


def test_commands_run_as_printed(tmp_path: Path) -> None:
    for name in ("data", "notebooks"):
        shutil.copytree(ROOT / name, tmp_path / name)
    every = os.environ.get("THUMBLINE_README") == "all"
    shell = f"thumbline() {{ '{sys.executable}' -m thumbline.cli \"$@\"; }}\n"
    lines = [
        line
        for line in PRINTED
        if line.startswith("thumbline ")
        and "--live" not in line
        and (not line.startswith((*WAIT, *LONG)) or (every and line.startswith(LONG)))
    ]
    assert len(lines) >= 3
    for line in lines:
        done = subprocess.run(["bash", "-c", shell + line], cwd=tmp_path, capture_output=True, text=True, check=False)
        assert done.returncode == 0, f"{line}\n{done.stderr}"
    assert (tmp_path / "my-guitar.toml").is_file()
    assert DATA.is_dir()
