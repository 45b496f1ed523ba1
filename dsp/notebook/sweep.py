"""How far a threshold may be off without harm: the share of right decisions against its offset."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from thumbline.dsp.notebook.workbench import Workbench
from thumbline.dsp.refine.plateau import plateau
from thumbline.dsp.rig.adjustment import Adjustment, adjusted
from thumbline.dsp.rig.model import Rig

Threshold = Literal["on_db", "off_db"]
#: Offsets that are tried, in dB.
OFFSETS_DB = tuple(float(db) for db in range(-36, 37, 4))
#: A plateau that is narrower is luck, in dB.
LEAST_WIDTH_DB = 6.0


@dataclass(frozen=True)
class Sweep:
    """What became of the decisions as one threshold was moved."""

    threshold: Threshold
    strings: tuple[int, ...]  #: whose threshold was moved
    offsets_db: tuple[float, ...]  #: rising
    right: tuple[float, ...]  #: share of the moments asked for at which the bass line is right
    plateau_db: tuple[float, float]  #: the offsets from which and up to which both are as good as they get
    missed: tuple[int, ...] = ()  #: known notes of all strings that were missed
    false: tuple[int, ...] = ()  #: notes that were found though they are not among those known
    notes_f: tuple[float, ...] = ()  #: F of the notes of all strings

    @property
    def notes_in_words(self) -> str:
        """What becomes of the notes of all strings, as it is and at its best, in half a sentence."""
        now = self.offsets_db.index(0.0)
        best = min(map(sum, zip(self.missed, self.false, strict=True)))
        return f"{self.missed[now]} notes missed, {self.false[now]} false as it is; {best} in all at best"

    @property
    def in_words(self) -> str:
        """How far the threshold may be off, in a sentence."""
        low, high = self.plateau_db
        if not low <= 0.0 <= high and high - low < LEAST_WIDTH_DB:
            return f"best at {low:+g} to {high:+g} dB, which is too narrow to move to"
        if not low <= 0.0 <= high:
            return f"off the plateau, which lies at {low:+g} to {high:+g} dB"
        lowest, highest = (
            " or more" if end in (self.offsets_db[0], self.offsets_db[-1]) else "" for end in (low, high)
        )
        return f"harmless: {abs(low):g} dB{lowest} lower, {high:g} dB{highest} higher"


def sweep_threshold(
    bench: Workbench,
    threshold: Threshold,
    *,
    rig: Rig | None = None,
    strings: Sequence[int] | None = None,
    offsets_db: Sequence[float] = OFFSETS_DB,
) -> Sweep:
    """Move a threshold of ``strings`` (default: all) away from where ``rig`` (default: as loaded) has it.

    Decisions are compared with the truth where it is known, or else with what the rig decided as it was loaded.
    Offsets at which a threshold would meet the other one, or the end of what a rig accepts, are left out.
    Raises ValueError if ``offsets_db`` does not hold 0, or the truth leaves every moment open.
    """
    if 0.0 not in offsets_db:
        raise ValueError(f"offsets_db is {list(offsets_db)}; accepted: numbers with 0 among them")
    rig = rig or bench.rig
    moved = tuple(strings or range(1, rig.string_count + 1))
    tried = [(offset, _moved(rig, threshold, moved, offset)) for offset in sorted(offsets_db)]
    tried = [(offset, each) for offset, each in tried if _arrived(rig, each, threshold, moved, offset)]
    offsets, rigs = tuple(offset for offset, _ in tried), [each for _, each in tried]
    right: list[float] = []
    missed: list[int] = []
    false: list[int] = []
    for decisions in bench.decisions_of(rigs):
        missed.append(len(decisions.missed))
        false.append(len(decisions.false))
        if decisions.right is None:
            raise ValueError("the truth leaves every moment open, so no decision can be right or wrong")
        right.append(decisions.right)
    known = len(bench.known_notes)
    notes_f = [_f(known, *each) for each in zip(missed, false, strict=True)]
    both = [(share + f) / 2 for share, f in zip(right, notes_f, strict=True)]
    ends = plateau(offsets, both)
    return Sweep(threshold, moved, offsets, tuple(right), ends, tuple(missed), tuple(false), tuple(notes_f))


def _f(known: int, missed: int, false: int) -> float:
    matched = known - missed
    return 2 * matched / max(2 * matched + missed + false, 1)


def _moved(rig: Rig, threshold: Threshold, strings: Sequence[int], offset_db: float) -> Rig:
    shifts = dict.fromkeys(strings, offset_db)
    return adjusted(rig, Adjustment(on_db=shifts) if threshold == "on_db" else Adjustment(off_db=shifts))


def _arrived(before: Rig, after: Rig, threshold: Threshold, strings: Sequence[int], offset_db: float) -> bool:
    """Whether the threshold has moved as far as it was meant to, on every string."""
    old, new = getattr(before.detect, threshold), getattr(after.detect, threshold)
    return all(abs(new[s - 1] - old[s - 1] - offset_db) < 0.02 for s in strings)
