"""What `refine` does to good rigs, and what its stated interval is worth, on recordings.

Run with the folder of recordings in THUMBLINE_RECORDINGS::

    python -m tests.benchmarks.refine_table RESULTS.jsonl [good | chosen | judged | again]...

Forty searches begin at *good* rigs, calibrated, with thresholds a few dB off, which costs nothing or little. Of the
spoiled rigs, bleed ignored and thresholds far off, some belong to the takes on which the way to an interval was
*chosen*, twelve to others, by which it was first *judged*, and twelve, spoiled otherwise, by which it is judged *again*
since it allows for what takes differ by. Each search has one take; the rig that it finds is scored on
another take of the same guitar. A line of JSON per search is added to RESULTS.jsonl, gains in points of accuracy; what
stands there already is not done again. At the end all of it is printed as the tables of dsp/refine/DESIGN.md.
"""

import json
import sys
import time
from collections.abc import Iterator, Sequence
from dataclasses import asdict, dataclass
from functools import cache
from pathlib import Path
from typing import Any

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
CHOSEN_ON = "open_strings_3", ("archtop_thumb", "archtop_palm")
#: How far the thresholds of good rigs are off, in dB: to begin, and to stop.
GOOD = ((0.0, 0.0), (-3.0, 0.0), (3.0, 3.0), (0.0, -3.0), (-2.0, -4.0))
SPOILED = ((-15.0, -15.0), (15.0, 15.0))
LESS_SPOILED = ((-10.0, -10.0), (10.0, 10.0))
#: An unseen take that loses more than this, in points, was harmed.
LOSS = 0.2


@dataclass(frozen=True)
class Case:
    """One search: on which take, from which rig, scored on which other take."""

    kind: str
    strings: str
    searched: str
    unseen: str
    off_db: tuple[float, float]


def cases() -> Iterator[Case]:
    """Yield all searches, those from spoiled rigs first."""
    strings, pair = CHOSEN_ON
    for off_db in (*SPOILED, *LESS_SPOILED):
        for index, searched in enumerate(pair):
            yield Case("chosen", strings, searched, pair[1 - index], off_db)
    for kind, spoiled in (("judged", SPOILED), ("again", LESS_SPOILED)):
        for off_db in spoiled:
            for strings, takes in GUITARS.items():
                for index, searched in enumerate(takes[:2]):
                    yield Case(kind, strings, searched, takes[1 - index], off_db)
    for off_db in GOOD:
        for strings, takes in GUITARS.items():
            for index, searched in enumerate(takes):
                yield Case("good", strings, searched, takes[(index + 1) % len(takes)], off_db)


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
    if case.kind != "good":
        data = rig.model_dump()
        data["bleed"]["matrix"] = "off"
        rig = Rig.model_validate(data)
    return adjusted(rig, Adjustment(everywhere(rig, on_db), everywhere(rig, off_db)))


def run(case: Case) -> dict[str, Any]:
    """Search, score on the other take, and return what came of it in plain values."""
    rig, began_s = begin(case), time.process_time()
    found = refine_files(rig, [path_of(case.searched)], None)
    took_s = time.process_time() - began_s
    (take,) = load_known_takes([path_of(case.unseen)], rig)
    before = outcome(rig, take).accuracy
    gain = outcome(found.rig, take).accuracy - before
    stated = found.refined.accuracy
    return asdict(case) | {
        "changed": sorted(changed_settings(rig, found.rig)),
        "stated": [round(100 * each, 3) for each in (stated.value, stated.low, stated.high)],
        "before": round(100 * before, 3),
        "gain": round(100 * gain, 3),
        "seconds": round(took_s, 1),
        "steps": found.refined.steps,
    }


def covers(row: dict[str, Any]) -> bool:
    """Whether the gain on the unseen take lies within the stated interval."""
    _, low, high = row["stated"]
    return low - 1e-6 <= row["gain"] <= high + 1e-6


def report(rows: Sequence[dict[str, Any]]) -> Iterator[str]:
    """Yield the tables, line by line."""
    for kind in ("chosen", "judged", "again"):
        own = [row for row in rows if row["kind"] == kind]
        if own:
            yield f"Spoiled rigs, {kind}: {sum(map(covers, own))} of {len(own)} gains inside the stated interval"
            yield "| off by | searched on | scored on | before | gain | stated |"
            yield "|---|---|---|---|---|---|"
        for row in own:
            value, low, high = row["stated"]
            inside = "" if covers(row) else " (outside)"
            yield (
                f"| {row['off_db'][0]:+.0f} dB, no bleed | {row['searched']} | {row['unseen']} | {row['before']:.1f} "
                f"| {row['gain']:+.1f}{inside} | {value:+.1f} [{low:+.1f}, {high:+.1f}] |"
            )
    good = [row for row in rows if row["kind"] == "good"]
    changed = [row for row in good if row["changed"]]
    idle = [row for row in changed if row["gain"] <= 0.0]
    lost = [row for row in good if row["gain"] < -LOSS]
    yield (
        f"Good rigs: {len(good)} searches, {len(changed)} changed the rig, {len(idle)} of them without gain on the "
        f"unseen take; unseen takes that lost more than {LOSS} points: {len(lost)}"
    )
    for row in changed:
        yield f"  {row['searched']} {row['off_db']}: {', '.join(row['changed'])}; {row['unseen']} {row['gain']:+.2f}"
    if rows:
        yield f"Processor time per search: {min(r['seconds'] for r in rows)} to {max(r['seconds'] for r in rows)} s"


def main() -> None:
    """Run what is not there yet, and print the tables."""
    results, kinds = Path(sys.argv[1]), sys.argv[2:] or ["chosen", "judged", "good", "again"]
    rows = [json.loads(line) for line in results.read_text("utf-8").splitlines()] if results.is_file() else []
    done = {(row["kind"], row["searched"], row["unseen"], *row["off_db"]) for row in rows}
    for case in cases():
        if case.kind in kinds and (case.kind, case.searched, case.unseen, *case.off_db) not in done:
            row = run(case)
            with results.open("a", encoding="utf-8") as file:
                file.write(json.dumps(row) + "\n")
            rows.append(row)
    print("\n".join(report(rows)))


if __name__ == "__main__":
    main()
