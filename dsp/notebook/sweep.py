"""How far a setting may be off without harm, and to what it is best set: what becomes of decisions as it moves."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from thumbline.dsp.notebook.workbench import Workbench
from thumbline.dsp.refine.plateau import plateau
from thumbline.dsp.rig.adjustment import Adjustment, adjusted
from thumbline.dsp.rig.model import Rig

Setting = Literal["on_db", "off_db", "strictness", "proof_ms", "shortest_ms"]
#: Offsets of a threshold that are tried, in dB.
OFFSETS_DB = tuple(float(db) for db in range(-36, 37, 4))
#: Values of the other settings that are tried, besides the rig's own.
VALUES: Mapping[Setting, tuple[float, ...]] = {
    "strictness": (0.1, 0.25, 0.5, 0.7, 1.0, 1.4, 2.0, 4.0, 10.0),
    "proof_ms": (0.0, 10.0, 20.0, 40.0),
    "shortest_ms": (0.0, 50.0, 100.0, 200.0),
}
#: Where each setting stands in a rig.
KEYS: Mapping[Setting, str] = {
    "on_db": "detect.on_db",
    "off_db": "detect.off_db",
    "strictness": "detect.strictness",
    "proof_ms": "choice.proof_ms",
    "shortest_ms": "choice.shortest_ms",
}
#: A plateau that is narrower is luck: in dB, in ms, and as a ratio.
LEAST_WIDTH_DB, LEAST_WIDTH_MS, LEAST_RATIO = 6.0, 5.0, 1.4


@dataclass(frozen=True)
class Sweep:
    """What became of the decisions as one setting was moved."""

    setting: Setting
    strings: tuple[int, ...]  #: whose threshold was moved; all of them for a setting that is not one per string
    values: tuple[float, ...]  #: rising: offsets in dB of a threshold, or the setting itself
    right: tuple[float, ...]  #: share of the moments asked for at which the bass line is right
    plateau: tuple[float, float]  #: the values from which and up to which both are as good as they get
    missed: tuple[int, ...] = ()  #: known notes of all strings that were missed
    false: tuple[int, ...] = ()  #: notes that were found though they are not among those known
    notes_f: tuple[float, ...] = ()  #: F of the notes of all strings
    now: float = 0.0  #: the value that the rig has

    @property
    def is_threshold(self) -> bool:
        """Whether values are offsets in dB."""
        return self.setting in ("on_db", "off_db")

    @property
    def recommended(self) -> float | None:
        """What to move it by or set it to; None if the rig is on the plateau, or that is too narrow to move to.

        The middle of the plateau, or what every rig begins with if that lies on it.
        """
        low, high = self.plateau
        if low <= self.now <= high or self._is_narrow:
            return None
        if not self.is_threshold and low <= value_of(Rig(), self.setting) <= high:
            return value_of(Rig(), self.setting)
        middle = np.sqrt(low * high) if self.setting == "strictness" else (low + high) / 2.0
        return float(f"{middle:.2g}")

    @property
    def _is_narrow(self) -> bool:
        low, high = self.plateau
        if self.setting == "strictness":
            return high < LEAST_RATIO * low * (1.0 - 1e-9)
        return high - low < (LEAST_WIDTH_DB if self.is_threshold else LEAST_WIDTH_MS)

    @property
    def notes_in_words(self) -> str:
        """What becomes of the notes of all strings, as it is and at its best, in half a sentence."""
        now = self.values.index(self.now)
        best = min(map(sum, zip(self.missed, self.false, strict=True)))
        return f"{self.missed[now]} notes missed, {self.false[now]} false as it is; {best} in all at best"

    @property
    def in_words(self) -> str:
        """How far the setting may be off, and what to do, in a sentence."""
        low, high = self.plateau
        unit = {"strictness": "", "proof_ms": " ms", "shortest_ms": " ms"}.get(self.setting, " dB")
        shown = [f"{end:+g}" if self.is_threshold else f"{end:g}" for end in (low, high)]
        if not low <= self.now <= high:
            if self.recommended is None:
                return f"best at {shown[0]} to {shown[1]}{unit}, which is too narrow to move to"
            todo = f"move it by {self.recommended:+g}" if self.is_threshold else f"set it to {self.recommended:g}"
            return f"off the plateau, which lies at {shown[0]} to {shown[1]}{unit}: {todo}{unit}"
        lowest, highest = (" or more" if end in (self.values[0], self.values[-1]) else "" for end in (low, high))
        if self.is_threshold:
            return f"harmless: {abs(low):g} dB{lowest} lower, {high:g} dB{highest} higher"
        late = " (but later by as much)" if self.setting == "proof_ms" else ""  # a bass line is dated by its plucks
        return f"leave it at {self.now:g}{unit}: anything from {low:g} to {high:g}{unit} is as good{late}"


def sweep_setting(
    bench: Workbench,
    setting: Setting,
    *,
    rig: Rig | None = None,
    strings: Sequence[int] | None = None,
    values: Sequence[float] | None = None,
) -> Sweep:
    """Move a setting away from where ``rig`` (default: as loaded) has it.

    A threshold ("on_db", "off_db") is moved on ``strings`` (default: all) by each of ``values``, offsets in dB with 0
    among them; "strictness", "proof_ms" and "shortest_ms" take each of ``values``, and what the rig has. Decisions are
    compared with the truth where it is known, or else with what the rig decided as it was loaded. Offsets at which a
    threshold would meet the other one, or the end of what a rig accepts, are left out. Raises ValueError if offsets do
    not hold 0, or the truth leaves every moment open; InputError for a value that a rig does not accept.
    """
    rig = rig or bench.rig
    if setting == "on_db" or setting == "off_db":
        offsets = OFFSETS_DB if values is None else tuple(values)
        if 0.0 not in offsets:
            raise ValueError(f"values is {list(offsets)}; accepted: numbers with 0 among them")
        moved, now = tuple(strings or range(1, rig.string_count + 1)), 0.0
        tried = [(offset, _moved(rig, setting, moved, offset)) for offset in sorted(offsets)]
        tried = [(offset, each) for offset, each in tried if _arrived(rig, each, setting, moved, offset)]
    else:
        moved, now = tuple(range(1, rig.string_count + 1)), value_of(rig, setting)
        all_values = sorted({*(VALUES[setting] if values is None else values), now})
        tried = [(value, adjusted(rig, replace(Adjustment(), **{setting: value}))) for value in all_values]
    return _counted(bench, setting, moved, tried, now)


def value_of(rig: Rig, setting: Setting) -> float:
    """Return what a rig has of a setting that is one number."""
    section, key = KEYS[setting].split(".")
    return float(getattr(getattr(rig, section), key))


def _counted(
    bench: Workbench, setting: Setting, moved: tuple[int, ...], tried: Sequence[tuple[float, Rig]], now: float
) -> Sweep:
    """Return what each of the rigs decides, by the values that they have."""
    found = bench.decisions_of([each for _, each in tried])
    right = [each.right for each in found if each.right is not None]
    if len(right) < len(found):
        raise ValueError("the truth leaves every moment open, so no decision can be right or wrong")
    values = tuple(value for value, _ in tried)
    missed, false = tuple(len(each.missed) for each in found), tuple(len(each.false) for each in found)
    known = len(bench.known_notes)
    notes_f = tuple(_f(known, *each) for each in zip(missed, false, strict=True))
    both = [(share + f) / 2 for share, f in zip(right, notes_f, strict=True)]
    # A plateau is measured from where the rig is, and of a ratio by its logarithm.
    from_now = [float(np.log2(each / now)) if setting == "strictness" else each - now for each in values]
    ends = plateau(from_now, both)
    low, high = (values[from_now.index(end)] for end in ends)
    return Sweep(setting, moved, values, tuple(right), (low, high), missed, false, notes_f, now)


def _f(known: int, missed: int, false: int) -> float:
    matched = known - missed
    return 2 * matched / max(2 * matched + missed + false, 1)


def _moved(rig: Rig, setting: Setting, strings: Sequence[int], offset_db: float) -> Rig:
    shifts = dict.fromkeys(strings, offset_db)
    return adjusted(rig, Adjustment(on_db=shifts) if setting == "on_db" else Adjustment(off_db=shifts))


def _arrived(before: Rig, after: Rig, setting: Setting, strings: Sequence[int], offset_db: float) -> bool:
    """Whether the threshold has moved as far as it was meant to, on every string."""
    old, new = getattr(before.detect, setting), getattr(after.detect, setting)
    return all(abs(new[s - 1] - old[s - 1] - offset_db) < 0.02 for s in strings)
