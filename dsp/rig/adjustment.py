"""Turn a rig's knobs: thresholds up and down in dB, how strict it is, and how long a hand-over waits."""

from collections.abc import Mapping
from dataclasses import dataclass, field

from thumbline.dsp.rig.model import Rig

#: A threshold to fall silent that would meet the one to begin to sound stays this far below it, in dB.
LEAST_GAP_DB = 1.0
#: Thresholds that the rig file accepts, in dBFS.
LOWEST_DB = -160.0
HIGHEST_DB = 0.0


@dataclass(frozen=True)
class Adjustment:
    """What to change in a rig whose thresholds are numbers. Nothing, as it is made."""

    on_db: Mapping[int, float] = field(default_factory=dict)  #: string number -> dB to add to ``detect.on_db``
    off_db: Mapping[int, float] = field(default_factory=dict)  #: string number -> dB to add to ``detect.off_db``
    settle_ms: float | None = None  #: None leaves ``choice.settle_ms`` as it is
    shortest_ms: float | None = None
    proof_ms: float | None = None
    strictness: float | None = None  #: of ``detect``


def adjusted(rig: Rig, adjustment: Adjustment) -> Rig:
    """Return the rig with the adjustment made.

    Thresholds keep within what a rig accepts; where the two of a string would meet, the lower one gives way. Raises
    InputError for a wait or a strictness that a rig does not accept, ValueError if the rig's thresholds are "auto".
    """
    on_db, off_db = rig.detect.on_db, rig.detect.off_db
    if isinstance(on_db, str) or isinstance(off_db, str):
        raise ValueError("detect.on_db and detect.off_db must be numbers to be adjusted")
    on, off = [], []
    for string, (old_on, old_off) in enumerate(zip(on_db, off_db, strict=True), 1):
        new_on = old_on + adjustment.on_db.get(string, 0.0)
        new_on = round(min(max(new_on, LOWEST_DB + LEAST_GAP_DB), HIGHEST_DB), 2)
        gap = min(LEAST_GAP_DB, old_on - old_off)  # a rig that has them closer keeps them so
        new_off = min(old_off + adjustment.off_db.get(string, 0.0), new_on - gap)
        on.append(new_on)
        off.append(round(max(new_off, LOWEST_DB), 2))
    changes: dict[str, object] = {"detect.on_db": on, "detect.off_db": off}
    for key in ("choice.settle_ms", "choice.shortest_ms", "choice.proof_ms", "detect.strictness"):
        if (value := getattr(adjustment, key.partition(".")[2])) is not None:
            changes[key] = value
    return rig.changed(changes, "adjusted rig")


def everywhere(rig: Rig, db: float) -> dict[int, float]:
    """Return the same shift for each string, as an `Adjustment` takes it."""
    return dict.fromkeys(range(1, rig.string_count + 1), db)


def changed_settings(before: Rig, after: Rig) -> dict[str, object]:
    """Return what differs, by key of the rig file, with the new values."""
    old, new = before.model_dump(), after.model_dump()
    return {
        f"{section}.{key}": value
        for section, table in new.items()
        if isinstance(table, dict)  # foot switches are a list, and are not tuned
        for key, value in table.items()
        if value != old[section][key]
    }
