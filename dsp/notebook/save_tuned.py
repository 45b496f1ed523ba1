"""Save what was tuned: into a new rig file, or into one that is there, of which nothing else changes."""

from pathlib import Path

from thumbline.dsp.rig.adjustment import changed_settings
from thumbline.dsp.rig.edit import save_changes
from thumbline.dsp.rig.file import load_rig
from thumbline.dsp.rig.model import Rig

#: Settings that are tuned, by key of the rig file.
TUNED = (
    "detect.on_db",
    "detect.off_db",
    "detect.strictness",
    "choice.proof_ms",
    "choice.settle_ms",
    "choice.shortest_ms",
)


def tuned_name(take: Path, rig: Path | None) -> Path:
    """Return where to save by default: beside the rig that was loaded, or the take, under a name of its own."""
    place = rig or take
    return place.with_name(f"{place.stem}-tuned.toml")


def save_tuned(target: Path, tuned: Rig, loaded: Rig, source: Path | None, why: str) -> dict[str, object]:
    """Write ``tuned`` to ``target`` and return the settings that were changed there.

    ``loaded`` is the rig as it was before, complete, and ``source`` the file it came from, if any. If ``target`` is
    there it is edited: only tuned settings change, and all comments stay. Otherwise it becomes a copy of ``source``
    with the tuned settings, or, without a source, the whole rig. ``why`` is written as a comment above each changed
    setting.

    Raises InputError if a file cannot be read or written, is not a rig, or does not take the settings; nothing is lost
    then.
    """
    changes = {key: value for key, value in changed_settings(loaded, tuned).items() if key in TUNED}
    if target.exists():
        source = target
        there, wanted = load_rig(target).model_dump(), tuned.model_dump()
        for key in TUNED:
            section, name = key.split(".")
            old, new = there[section][name], wanted[section][name]
            if old == new:
                changes.pop(key, None)
            elif old != "auto":  # what it leaves open and nobody moved stays open
                changes[key] = new
    before = load_rig(source) if source is not None else loaded
    notes = {key: f"hand: {why}; it was {_shown(before, key)}" for key in changes}
    save_changes(source, target, tuned, changes, notes)
    return changes


def _shown(rig: Rig, key: str) -> str:
    section, name = key.split(".")
    value = getattr(getattr(rig, section), name)
    return str(list(value)) if isinstance(value, tuple) else str(value)
