"""Search the thresholds that make a rig accurate on takes whose notes are known."""

import os
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Any, Literal

import numpy as np

from thumbline.dsp.refine.known_takes import KnownTake, Outcome, outcome, together
from thumbline.dsp.refine.plateau import plateau
from thumbline.dsp.rig.adjustment import Adjustment, adjusted, everywhere
from thumbline.dsp.rig.model import Rig

#: Less accuracy than this is nothing: a single note of a few hundred.
LEAST_GAIN = 0.001
#: Thresholds are moved together in steps of this, and this far at most, in dB; its ends are found to half of it.
STEP_DB, FARTHEST_DB = 6.0, 18.0
#: Thresholds this near to the middle of the plateau, and no nearer to its ends, stay where they are, in dB.
NEAR_DB = 3.0
#: A plateau that is narrower is luck, in dB.
LEAST_WIDTH_DB = 6.0
#: What else is tried, one after the other, as it stands in a rig: rising values. One is taken where the next one above
#: or below gains too: what gains alone is luck.
OTHER_SETTINGS: dict[str, tuple[float, ...]] = {
    "strictness": (0.35, 0.5, 0.7, 1.0, 1.4, 2.0, 2.8),
    "proof_ms": (10.0, 20.0),
    "shortest_ms": (30.0, 60.0),
}
#: The thresholds of one string are moved by this, in dB.
STRING_STEPS_DB = (-4.0, 4.0)

Kind = Literal["on_db", "off_db"]
KINDS: tuple[Kind, ...] = ("on_db", "off_db")
WORDS = {"on_db": "thresholds to begin", "off_db": "thresholds to stop"}


@dataclass(frozen=True)
class Share:
    """A take, by its index, or every second stretch of it: ``stretches`` is the first (0 or 1) and its pieces."""

    take: int
    stretches: tuple[int, int] | None = None

    def of(self, counted: Outcome) -> Outcome:
        """Return this share of the take's outcome."""
        if self.stretches is None:
            return counted
        first, length = self.stretches
        own = np.arange(len(counted.counts)) // length % 2 == first
        return Outcome(counted.counts[own], None if counted.faults is None else counted.faults[own])


class Trials:
    """Rigs tried on takes; each is tried once on each take, takes side by side."""

    def __init__(self, takes: Sequence[KnownTake]) -> None:
        self.takes = takes
        self.count = 0  #: how often a take went through the processor
        self._known: dict[tuple[int, Any], Outcome] = {}

    def outcome(self, rig: Rig, shares: Sequence[Share]) -> Outcome:
        """Return how ``rig`` fares on these shares."""
        key = (rig.input, rig.detect, rig.bleed, rig.choice)
        missing = sorted({share.take for share in shares if (share.take, key) not in self._known})
        if missing:
            self.count += len(missing)
            with ThreadPoolExecutor(min(len(missing), os.cpu_count() or 1)) as pool:  # the kernel lets others run
                for take, counted in zip(
                    missing, pool.map(lambda i: outcome(rig, self.takes[i]), missing), strict=True
                ):
                    self._known[take, key] = counted
        return together([share.of(self._known[share.take, key]) for share in shares])


def search(
    rig: Rig, measured: Rig, trials: Trials, shares: Sequence[Share], tell: Callable[[str], None] = lambda step: None
) -> Rig:
    """Return the rig that was found best on ``shares``; ``measured`` is the same with everything measured anew.

    ``tell`` is given each step in words.
    """

    def accuracy(candidate: Rig) -> float:
        return trials.outcome(candidate, shares).accuracy

    rig = _best_start(rig, measured, accuracy, tell)
    for kind in KINDS:
        accuracies = sweep(rig, kind, accuracy)
        shifts = sorted(accuracies)
        low_db, high_db = plateau(shifts, [accuracies[shift_db] for shift_db in shifts], LEAST_GAIN)
        middle_db = (low_db + high_db) / 2.0
        centred = abs(middle_db) <= NEAR_DB and low_db <= -NEAR_DB and high_db >= NEAR_DB
        narrow = high_db - low_db < LEAST_WIDTH_DB
        what = f"moved by {middle_db:+.1f} dB"
        if narrow:
            what = "too narrow a plateau to move to, left as they are"
        elif centred:
            what = "left as they are"
        tell(f"{WORDS[kind]}: {low_db:+.0f} to {high_db:+.0f} dB lose nothing; {what}")
        rig = rig if centred or narrow else shifted(rig, kind, middle_db)
    rig = _other_settings(rig, accuracy, tell)
    return _string_by_string(rig, trials, shares, tell)


def _other_settings(rig: Rig, accuracy: Callable[[Rig], float], tell: Callable[[str], None]) -> Rig:
    """Return the rig with another strictness, proof or hold where that gains."""
    best = accuracy(rig)
    for key, values in OTHER_SETTINGS.items():
        if best > 1.0 - LEAST_GAIN:
            return rig
        now = float(getattr(rig.detect if key == "strictness" else rig.choice, key))
        tried = sorted({*values, now})
        candidates = [rig if value == now else adjusted(rig, replace(Adjustment(), **{key: value})) for value in tried]
        gains = [accuracy(candidate) - best for candidate in candidates]
        beside = [max(pair) for pair in zip([-1.0, *gains[:-1]], [*gains[1:], -1.0], strict=True)]
        both = [min(pair) for pair in zip(gains, beside, strict=True)]
        good = [index for index, gain in enumerate(both) if gain >= max(both) - LEAST_GAIN]
        index = min(good, key=lambda each: abs(tried[each] - now))
        if gains[index] > LEAST_GAIN and beside[index] > 0.0:
            rig, best = candidates[index], best + gains[index]
            tell(f"{key} {tried[index]:g}: {100 * gains[index]:+.2f} points of accuracy")
    return rig


def sweep(rig: Rig, kind: Kind, accuracy: Callable[[Rig], float]) -> dict[float, float]:
    """Return the accuracy by how far all thresholds of a kind are moved, either way until something is lost."""
    accuracies = {0.0: accuracy(rig)}

    def try_shift(shift_db: float) -> bool:
        accuracies[shift_db] = accuracy(shifted(rig, kind, shift_db))
        return _is_good(accuracies, shift_db)

    for direction in (-1.0, 1.0):
        for step in range(1, round(FARTHEST_DB / STEP_DB) + 1):
            # One step beyond a loss is tried too, if that was the first: there may be a plateau that we are not on.
            if not try_shift(direction * step * STEP_DB) and step > 1:
                break
    for low_db, high_db in pairwise(sorted(accuracies)):
        if _is_good(accuracies, low_db) != _is_good(accuracies, high_db):
            try_shift((low_db + high_db) / 2.0)
    return accuracies


def _is_good(accuracies: dict[float, float], shift_db: float) -> bool:
    return accuracies[shift_db] >= max(accuracies.values()) - LEAST_GAIN


def shifted(rig: Rig, kind: Kind, shift_db: float, string: int | None = None) -> Rig:
    """Return the rig with the thresholds of one string, or of all, moved."""
    shifts = everywhere(rig, shift_db) if string is None else {string: shift_db}
    return adjusted(rig, Adjustment(on_db=shifts) if kind == "on_db" else Adjustment(off_db=shifts))


def _best_start(rig: Rig, measured: Rig, accuracy: Callable[[Rig], float], tell: Callable[[str], None]) -> Rig:
    """Return the rig with as much measured anew as it gains by."""
    best, best_accuracy = rig, accuracy(rig)
    for what, candidate in _starts(rig, measured):
        gain = accuracy(candidate) - best_accuracy
        if gain > LEAST_GAIN:
            best, best_accuracy = candidate, best_accuracy + gain
            tell(f"{what} measured anew: {100 * gain:+.2f} points of accuracy")
    return best


def _starts(rig: Rig, measured: Rig) -> Iterator[tuple[str, Rig]]:
    for what, sections in (
        ("bleed", ("bleed",)),
        ("levels and thresholds", ("detect",)),
        ("bleed, levels and thresholds", ("bleed", "detect")),
    ):
        yield what, rig.changed({section: getattr(measured, section) for section in sections})


def _string_by_string(rig: Rig, trials: Trials, shares: Sequence[Share], tell: Callable[[str], None]) -> Rig:
    """Return the rig with the thresholds of single strings moved where that gains; where nothing is wrong none can."""

    def accuracy(candidate: Rig) -> float:
        return trials.outcome(candidate, shares).accuracy

    best = accuracy(rig)
    for string in range(rig.string_count, 0, -1):
        for kind in KINDS:
            if best > 1.0 - LEAST_GAIN:
                return rig
            faults = trials.outcome(rig, shares).faults
            if faults is not None and not faults[:, string - 1].any():
                continue
            candidates = [(shift_db, shifted(rig, kind, shift_db, string)) for shift_db in STRING_STEPS_DB]
            shift_db, candidate = max(candidates, key=lambda each: accuracy(each[1]))
            gain = accuracy(candidate) - best
            if gain > LEAST_GAIN:
                rig, best = candidate, best + gain
                tell(f"string {string}, {WORDS[kind]}: {shift_db:+.0f} dB, {100 * gain:+.2f} points of accuracy")
    return rig
