"""Digests: what a file holds, and what a result was made from."""

import hashlib
import json
from pathlib import Path
from typing import Any


def file_digest(path: Path) -> str:
    """Return the digest of a file's bytes."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, lambda: hashlib.blake2b(digest_size=16)).hexdigest()


def digest(*parts: Any) -> str:
    """Return the digest of plain values, whatever the order of a mapping's keys."""
    text = json.dumps(parts, sort_keys=True, default=str)
    return hashlib.blake2b(text.encode(), digest_size=16).hexdigest()
