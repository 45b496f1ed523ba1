"""What `refine` does to good rigs, and what its stated interval is worth, on recordings.

Run with the folder of recordings in THUMBLINE_RECORDINGS::

    python -m tests.benchmarks.refine_table [FIRST [LAST]]

Forty searches begin at calibrated rigs, some with thresholds a few dB off, which costs nothing; twelve begin at spoiled
ones. Each is scored on another take of the same guitar, which it has not seen. A line per search: what was changed,
stated gain in accuracy with its interval, and gain on the unseen take, in points.
"""

import sys
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from pathlib import Path

from tests.helpers.places import recorded
from thumbline.dsp.calibration.calibrate import calibrate
from thumbline.dsp.refine.known_takes import load_known_takes, outcome
from thumbline.dsp.refine.refine_files import refine_files
from thumbline.dsp.rig.adjustment import Adjustment, adjusted, changed_settings, everywhere
from thumbline.dsp.rig.model import Rig

GUITARS = {
    "open_strings_1": ("funk_comp", "jazz_comp"),
    "open_strings_2": ("rock_solo", "bossa_comp"),
    "open_strings_3": ("archtop_comp", "archtop_solo", "archtop_thumb", "archtop_palm"),
}
#: How far the thresholds of good rigs are off, in dB: to begin, and to stop.
GOOD = ((0.0, 0.0), (-3.0, 0.0), (3.0, 3.0), (0.0, -3.0), (-2.0, -4.0))
SPOILED = ((-15.0, -15.0), (15.0, 15.0))
LOSS, COVERED = 0.2, 0.85


@dataclass(frozen=True)
class Case:
    """One search: on which take, from which rig, scored on which other take."""

    strings: str
    searched: str
    unseen: str
    off_db: tuple[float, float]
    is_good: bool


def cases() -> Iterator[Case]:
    """Yield the forty searches from good rigs, then the twelve from spoiled ones."""
    for off_db in GOOD:
        for strings, takes in GUITARS.items():
            for index, searched in enumerate(takes):
                yield Case(strings, searched, takes[(index + 1) % len(takes)], off_db, True)
    for off_db in SPOILED:
        for strings, takes in GUITARS.items():
            for index, searched in enumerate(takes[:2]):
                yield Case(strings, searched, takes[1 - index], off_db, False)


def path_of(name: str) -> Path:
    """Return the file of a take."""
    return recorded("takes", f"{name}.flac")


@cache
def calibrated(strings: str) -> Rig:
    """Return the rig that a take of open strings gives."""
    return calibrate(path_of(strings), Rig()).rig


def begin(case: Case) -> Rig:
    """Return the rig that the search begins at."""
    on_db, off_db = case.off_db
    rig = calibrated(case.strings)
    if not case.is_good:
        data = rig.model_dump()
        data["bleed"]["matrix"] = "off"
        rig = Rig.model_validate(data)
    return adjusted(rig, Adjustment(everywhere(rig, on_db), everywhere(rig, off_db)))


def main() -> None:
    """Print a line per search, and the sums."""
    first, last = (int(each) for each in (*sys.argv[1:], "0", "1000")[:2]) if sys.argv[1:] else (0, 1000)
    lost = idle = good = covered = spoiled = 0
    for case in list(cases())[first:last]:
        rig = begin(case)
        found = refine_files(rig, [path_of(case.searched)], None)
        (take,) = load_known_takes([path_of(case.unseen)], rig)
        gain = 100 * (outcome(found.rig, take).accuracy - outcome(rig, take).accuracy)
        stated = found.refined.accuracy
        low, high = 100 * stated.low, 100 * stated.high
        changed = ", ".join(changed_settings(rig, found.rig)) or "nothing"
        print(
            f"{case.searched} -> {case.unseen}, off by {case.off_db}: {changed}; stated {100 * stated.value:+.2f} "
            f"[{low:+.2f}, {high:+.2f}], unseen {gain:+.2f}",
            flush=True,
        )
        if case.is_good:
            good, lost, idle = good + 1, lost + (gain < -LOSS), idle + (changed != "nothing" and gain <= 0.0)
        else:
            spoiled, covered = spoiled + 1, covered + (low - 1e-9 <= gain <= high + 1e-9)
    print(f"good rigs: {good}; unseen take lost more than {LOSS} points: {lost}; changed without gain: {idle}")
    print(f"spoiled rigs: {spoiled}; gain on the unseen take inside the stated interval: {covered}")


if __name__ == "__main__":
    main()
