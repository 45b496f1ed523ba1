"""Where the takes lie that tests use."""

import os
from pathlib import Path

ROOT = Path(__file__).parents[2]
DATA = ROOT / "data"
DEMO = DATA / "demo.flac"
OPEN_STRINGS = DATA / "demo_open_strings.flac"
#: The folder of recordings, if the machine has one; else None, and what needs it is skipped.
RECORDINGS = os.environ.get("THUMBLINE_RECORDINGS")
