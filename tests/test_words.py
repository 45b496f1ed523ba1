"""Words that sent guitarists the wrong way stay out of everything that a person reads.

Common practice, no source: an open string is an unfretted one, a setting a key of the rig, an entry of a set a song.
"""

import ast
import json
import re
from collections.abc import Iterator
from pathlib import Path

import click
import pytest

from thumbline.cli.main import COMMANDS, thumbline
from thumbline.dsp.rig.catalogue import all_sections, all_settings, describe
from thumbline.dsp.rig.file import rig_text
from thumbline.dsp.rig.model import Rig

ROOT = Path(__file__).parents[1]
#: As regular expressions, with what is said instead.
NOT_SAID = {
    r"\b(channel|lane|object|message|number|row|value|line) a (string|line|row|note|setting)\b": "per",
    r"\b(frames|beats|notes|times|decibels|dB) a (second|minute|bar)\b": "per",
    r"\b\d+ a bar\b": "per bar",
    r"[Pp]ass them\b": "run the tests",
    r"installed beside it": "also install",
    r"as guitarists count them": "numbered as usual",
    r"hold the others still|others held still": "keep the others damped",
    r"whole or not at all": "never a half-written file",
    r"changes while it is read": "a file that is still being recorded",
    r"damped strings never": "muted (dead) notes",
    r"calmer bass|calmer but later": "change strings less often",
    r"in step with it period by period": "pitched down in real time",
    r"on its way\b": "delay on the cable",
    r"end open|strings? opens\b|strings (are|is) open\b|all strings open\b|string is open\b": "unmuted",
    r"said again": "sent again",
    r"is waited for, and gets": "waits for it and sends every mute again",
    r"from true\b|\btrue [+-]?\d": "in tune",
    r"what goes wrong is said": "one line says what",
    r"ends or dies": "however it stops",
    r"told to end": "stopped by another program",
    r"stand in the rig|stands? in it as comments": "set up in the rig",
    r"switches over \(": "toggles",
    r"round and round": "after the last comes the first",
    r"counts as plucked anew": "a new note",
    r"needs nothing but itself": "self-contained",
    r"can be borne": "how long you can safely listen",
    r"[Ff]rom memory\b|figures? from memory": "its source",
    r"that are no sound": "invalid samples",
    r"options leave open": "options you leave out",
    r"[Ff]rames a second|[Ff]rames that pass at a time": "sample rate in Hz, buffer size",
    r"\blikewise\b": "by name or number",
    r"tuning and wishes": "rig to start from",
    r"\bTakes at once": "in parallel",
    r"folders go\b": "output folder",
    r"RIG then says": "assign",
    r"a good rig\b": "no problems found",
    r"changes nothing\b|[Mm]akes a string louder or softer": "for information only, input gain",
    r"all the way (up|down)\b": "heel down, toe down",
    r"gone to at every": "every press goes to it",
    r"is the click wrong": "if the click is off",
    r"of the silence filled": "right, missed, false",
    r"came too late for": "fell behind",
    r"gives no more blocks": "stopped delivering sound",
    r"\bblocks? took longer": "could not keep up",
    r"\bBar on\b|[Ss]hare of the take's speed|[Hh]andles go to beats|[Ll]oop between the handles": "plain labels",
    r"[Bb]eats counted in|[Ff]aster at each repeat": "count-in, speed up each time",
    r"Put the \*?moment|as it was loaded|[Ss]ooner or surer|are not sooner|loudest just now": "plain labels",
    r"[Pp]ractise with yourself": "practice tracks",
    r"\bknobs?\b": "sliders",
    r"upside down": "polarity inverted",
    r"[Ll]ook at this:": "note:",
    r"\b(next|previous|another|other) setting\b|\[\[settings\]\]|settings of (the|a) set": "song",
    r"\ball open\b|\bopen all\b|\bclose all\b|\bopen first\b|\bclose first\b": "unmute all, mute all",
    r"\bopens? every string|every string (open|is open|opens)\b|\bkeeps? all strings open": "unmute",
    r"\bwork \d": "load",
    r"\bone a line\b|\b[Bb]eats a bar\b": "per",
    r"waited for for|not at all\.": "name the thing, then how long",
    r"open \d+, closed \d+": "unmuted, muted",
    r"named settings": "songs",
}
#: Read by people, though no docstring: everything that is printed, drawn or written comes from these.
SOURCES = sorted(path for folder in ("dsp", "cli") for path in (ROOT / folder).rglob("*.py"))
#: The one place where former words stand, to be read in old files.
FORMER = ROOT / "dsp" / "rig" / "former_words.py"


def _docstrings(tree: ast.Module) -> set[int]:
    """Identities of the nodes that are docstrings, or that document the name above them."""
    found = set()
    for node in ast.walk(tree):
        body = getattr(node, "body", None)
        for statement in body if isinstance(body, list) else []:
            if isinstance(statement, ast.Expr) and isinstance(statement.value, ast.Constant):
                found.add(id(statement.value))
    return found


def said_in_code(path: Path) -> Iterator[str]:
    """Yield the strings of a source that are no docstrings, the parts of one sentence together."""
    tree = ast.parse(path.read_text("utf-8"))
    docstrings = _docstrings(tree)
    inside = {id(part) for node in ast.walk(tree) if isinstance(node, ast.JoinedStr) for part in node.values}
    for node in ast.walk(tree):
        if isinstance(node, ast.JoinedStr):
            yield "".join(part.value if isinstance(part, ast.Constant) else "7" for part in node.values)  # type: ignore[misc]
        elif isinstance(node, ast.Constant) and isinstance(node.value, str) and id(node) not in docstrings | inside:
            yield node.value


def helps(command: click.Command, name: str) -> Iterator[str]:
    """Yield the help of a command and of all below it, unwrapped."""
    context = click.Context(
        command,
        info_name=name,
        terminal_width=10_000,
        max_content_width=10_000,
        help_option_names=["-h", "--help"],  # as the program has it: click keeps the option it makes
    )
    yield command.get_help(context)
    for below in getattr(command, "commands", {}).values():
        yield from helps(below, below.name)


def surfaces() -> dict[str, str]:
    """Return everything that a person reads, by where it stands; one line per sentence or more."""
    texts = {"README.md": (ROOT / "README.md").read_text("utf-8")}
    for path in SOURCES:
        if path != FORMER:
            texts[str(path.relative_to(ROOT))] = "\n".join(said_in_code(path))
    texts["help"] = "\n".join(helps(thumbline, "thumbline"))
    for name in COMMANDS:
        command = thumbline.get_command(click.Context(thumbline), name)
        assert command is not None
        texts[f"{name} --help"] = "\n".join(helps(command, name))
    texts["rig new"] = re.sub(r"\n# ", " ", rig_text(Rig()))
    texts["data/demo.toml"] = re.sub(r"\n# ", " ", (ROOT / "data" / "demo.toml").read_text("utf-8"))
    texts["rig explain"] = "\n".join(map(describe, all_sections()))
    for path in (ROOT / "dsp" / "practice" / "web").iterdir():
        texts[f"web/{path.name}"] = "\n".join(
            line for line in path.read_text("utf-8").splitlines() if not line.lstrip().startswith(("//", "*", "/*"))
        )
    for path in (ROOT / "notebooks").glob("*.ipynb"):
        cells = json.loads(path.read_text("utf-8"))["cells"]
        texts[f"notebooks/{path.name}"] = "\n".join("".join(cell["source"]) for cell in cells)
    return {name: " ".join(text.split(" ")) for name, text in texts.items()}


@pytest.fixture(scope="module")
def texts() -> dict[str, str]:
    return surfaces()


def test_every_surface_is_read(texts: dict[str, str]) -> None:
    assert "Whichever string is the lowest one sounding" in " ".join(texts["README.md"].split())
    assert "Buffer size" in texts["live --help"]
    assert "unmute all" in texts["cli/console/screen.py"] or "unmute" in texts["cli/console/screen.py"]
    assert "shortest time a string keeps the bass" in texts["rig explain"]
    assert sum(len(text) for text in texts.values()) > 100_000


@pytest.mark.parametrize("phrase", NOT_SAID)
def test_nobody_is_told_in_words_that_mislead(texts: dict[str, str], phrase: str) -> None:
    found = [
        f"{name}: ...{' '.join(text[max(match.start() - 30, 0) : match.end() + 30].split())}..."
        for name, text in texts.items()
        for match in re.finditer(phrase.replace(" ", r"\s+"), text)
    ]
    assert not found, f"say {NOT_SAID[phrase]!r} instead:\n" + "\n".join(found)


def test_the_demos_rig_is_explained_in_todays_words(texts: dict[str, str]) -> None:
    rig = " ".join(texts["data/demo.toml"].split())
    missing = [key for key, setting in all_settings().items() if " ".join(setting.meaning.split()) not in rig]
    assert not missing, "run thumbline calibrate data/demo_open_strings.flac --out data/demo.toml"
