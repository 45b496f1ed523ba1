"""Which files of a folder the program made, by what its own ``summary.json`` and ``index.json`` there say.

Only these are ever replaced or removed. One that was changed since (its size or digest is another) is the player's as
much as ours.
"""

import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any, NamedTuple

from thumbline.dsp.files.digests import digest, file_digest

SUMMARY = "summary.json"
#: What is written last into a practice folder.
INDEX = "index.json"
#: What `render` writes, the summary last.
RENDERED_FILES = (
    *("bass.wav", "guitar.wav", "bassline.csv", "notes.csv", "pitch.csv", "mutes.csv"),
    *("bass.mid", "mutes.mid", "overview.png", SUMMARY),
)


class Made(NamedTuple):
    """A file as it was when the program had made it."""

    size: int  #: in bytes
    digest: str


#: What no file holds: one of ours that was edited, and is kept like any changed file.
_CHANGED = Made(0, "")
#: What each file may hold that the program made; None: whatever it holds.
Record = Mapping[str, "tuple[Made | None, ...]"]


def facts_of(path: Path) -> dict[str, Any]:
    """Return what a summary or an index says of a file: its ``bytes`` and ``digest``."""
    return {"bytes": path.stat().st_size, "digest": file_digest(path)}


def write_summary(folder: Path, summary: Mapping[str, Any]) -> dict[str, Any]:
    """Write ``summary`` into ``folder`` with what was made beside it, and return it so. Raises ValueError for NaN."""
    files = {path.name: facts_of(path) for path in sorted(folder.iterdir()) if path.name in RENDERED_FILES}
    whole = {**summary, "files": files}
    whole["check"] = digest(whole)
    (folder / SUMMARY).write_text(json.dumps(whole, indent=2, allow_nan=False) + "\n", "utf-8")
    return whole


def made_in(folder: Path) -> Record:
    """Return what the program has made in ``folder``, or left there; empty for a folder it has never written to."""
    made: dict[str, tuple[Made | None, ...]] = {}
    for name, each in (*_summarised(folder), *_indexed(folder)):
        made[name] = (*made.get(name, ()), each)
    return made


def is_as_made(path: Path, made: tuple[Made | None, ...]) -> bool:
    """Whether a file holds what the program made. Raises OSError if it cannot be read."""
    if None in made:
        return True
    size = path.stat().st_size
    return any(each and each.size == size for each in made) and Made(size, file_digest(path)) in made


def _entries(files: Any) -> list[tuple[str, Made | None]]:
    if not isinstance(files, dict):
        return []
    return [
        (name, Made(entry["bytes"], entry["digest"]))
        for name, entry in files.items()
        if isinstance(entry, dict) and {"bytes", "digest"} <= entry.keys()
    ]


def _summarised(folder: Path) -> list[tuple[str, Made | None]]:
    """Return what the summary of a rendered folder tells; earlier versions wrote no list of their files."""
    summary = _json(folder / SUMMARY)
    if not isinstance(summary, dict) or not {"take", "version", "rig", "bass_notes"} <= summary.keys():
        return []
    if "files" not in summary:
        return [(name, None) for name in RENDERED_FILES]
    own = None if summary.pop("check", None) == digest(summary) else _CHANGED
    return [(SUMMARY, own), *_entries(summary["files"])]


def _indexed(folder: Path) -> list[tuple[str, Made | None]]:
    """Return what the index of a practice folder tells, unless it was edited."""
    index = _json(folder / INDEX)
    if not isinstance(index, dict) or "layout" not in index:
        return []
    if index.pop("check", None) != digest(index) or not isinstance(index.get("made_from"), dict):
        return [(INDEX, _CHANGED)]
    made = _entries(index["made_from"].get("files"))
    # Names are joined to the folder: none may lead out of it.
    return [(INDEX, None), *made] if all(name == Path(name).name for name, _ in made) else [(INDEX, _CHANGED)]


def _json(path: Path) -> Any:
    try:
        return json.loads(path.read_text("utf-8"))
    except (OSError, ValueError, RecursionError):
        return None
