"""Where the takes lie that tests use."""

import os
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
DATA = ROOT / "data"
DEMO = DATA / "demo.flac"
OPEN_STRINGS = DATA / "demo_open_strings.flac"
_recordings = os.environ.get("THUMBLINE_RECORDINGS")
#: The folder of recordings, if the machine has one.
RECORDINGS = Path(_recordings).resolve() if _recordings else None
#: Marks tests that are skipped without it.
needs_recordings = pytest.mark.skipif(
    RECORDINGS is None, reason="needs recordings: set THUMBLINE_RECORDINGS to their folder"
)


def recorded(*parts: str) -> Path:
    """A place in the folder of recordings; where there is none, a place that does not exist."""
    return (RECORDINGS or Path("no recordings")).joinpath(*parts)
