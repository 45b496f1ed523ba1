"""A walk through README at every command, word for word and in its order, in a folder like a fresh clone.

The first command (install, render) and the last (the tests) are run from README by the continuous integration;
`test_readme_on_stage.py` has the commands that need an interface.
"""

import shutil
from pathlib import Path

import pytest

from tests.helpers.places import ROOT
from tests.helpers.readme_lines import ALONE, CONNECTED, LINES, NOT_RUN, begins, walk


@pytest.fixture(scope="module")
def clone(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder as README expects it, with what its first command has made."""
    folder = tmp_path_factory.mktemp("clone")
    for name in ("data", "notebooks"):
        shutil.copytree(ROOT / name, folder / name)
    walk(folder, "thumbline render data/demo.flac --rig data/demo.toml --out out")
    return folder


def test_every_command_is_run_or_says_why_not() -> None:
    assert len(ALONE) >= 15
    assert len(CONNECTED) >= 5
    unused = [start for start in NOT_RUN if not any(begins(line, {start: 0}) for line in LINES)]
    assert not unused, "README no longer has them"


@pytest.mark.parametrize("line", [line for line in LINES if begins(line, NOT_RUN)])
def test_what_is_not_run_says_why(line: str) -> None:
    pytest.skip(next(reason for start, reason in NOT_RUN.items() if begins(line, {start: 0})))


@pytest.mark.parametrize("line", ALONE)
def test_a_command_runs_as_printed(clone: Path, line: str) -> None:
    walk(clone, line)


def test_what_it_says_is_there_is_there(clone: Path) -> None:
    for name in ("out/demo/bass.wav", "out/demo/guitar.wav", "practice/demo/practice.html", "refined.toml"):
        assert (clone / name).stat().st_size > 1000
