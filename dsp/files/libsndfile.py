"""How libsndfile is told which file is meant."""

import os
from pathlib import Path
from typing import Any


def file_name(path: Path) -> Any:
    """Return ``path`` as soundfile takes it whatever bytes it holds (its type hints know no bytes)."""
    return path if os.name == "nt" else os.fsencode(path)
