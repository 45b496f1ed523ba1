"""Refine a rig on takes in files, and write it."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

from thumbline.dsp.calibration.calibrate import calibrate
from thumbline.dsp.errors import InputError, printable
from thumbline.dsp.refine.exercises import make_exercises, plain_input
from thumbline.dsp.refine.known_takes import completed, load_known_takes, measured_anew, played_strings
from thumbline.dsp.refine.refinement import Refined, refine, scored_apart
from thumbline.dsp.rig.adjustment import changed_settings
from thumbline.dsp.rig.edit import save_changes
from thumbline.dsp.rig.model import Rig

#: Exercises made from the same plucks.
EXERCISE_GROUPS = ((0, 2), (1, 3))


@dataclass(frozen=True)
class RefinedFiles:
    """What came of it, and what the player should know."""

    refined: Refined
    rig: Rig  #: complete, as it is to be written
    warnings: tuple[str, ...]


def refine_files(
    rig: Rig,
    takes: Sequence[Path],
    open_strings: Path | None,
    apart: Sequence[Path] = (),
    progress: Callable[[float], None] = lambda share: None,
) -> RefinedFiles:
    """Refine ``rig`` on takes with their truth beside them, or on exercises from ``open_strings`` if there are none.

    With ``open_strings``, levels and bleed are measured from that take, else from ``takes``. Takes ``apart`` are kept
    from the search. Raises InputError, of one line, for what cannot be used.
    """
    if not takes and open_strings is None:
        raise ValueError("takes or open_strings must be given")
    searched_too = {path.resolve() for path in takes} & {path.resolve() for path in apart}
    if searched_too:
        name = printable(sorted(searched_too)[0].name)
        raise InputError(f"{name} is searched on and set apart; accepted: a take in one of the two places")
    calibrated = None if open_strings is None else calibrate(open_strings, rig).rig
    if not takes and open_strings is not None and calibrated is not None:
        return _on_exercises(rig, calibrated, open_strings, apart, progress)
    known, kept = load_known_takes(takes, rig), load_known_takes(apart, rig)
    start = _with_open(rig, calibrated) if calibrated else completed(rig, known)

    def measure(some: Sequence[int]) -> Rig:
        return calibrated or measured_anew(start, [known[index] for index in some])

    found = refine(start, known, measure, kept, progress=progress)
    silent = sorted({*range(1, rig.string_count + 1)} - {*played_strings(known)})
    warnings = []
    if silent and calibrated is None:
        these = ", ".join(map(str, silent))
        warnings.append(
            f"never played in the takes: string {these}; what they need could not be measured, so add a take in which "
            "they are, or --open-strings"
        )
    if len(known) == 1 and not kept:
        warnings.append("one take alone says little of others; add takes, or keep one --apart")
    return RefinedFiles(found, found.rig, tuple(warnings))


def _on_exercises(
    rig: Rig, calibrated: Rig, open_strings: Path, apart: Sequence[Path], progress: Callable[[float], None]
) -> RefinedFiles:
    """Search on exercises; takes ``apart`` are scored as they are."""
    exercises = make_exercises(open_strings, calibrated)
    start = _with_open(rig, calibrated)
    plain = plain_input(calibrated)
    found = refine(plain_input(start), exercises, lambda _: plain, groups=EXERCISE_GROUPS, progress=progress)
    final = start.changed({"detect": found.rig.detect, "bleed": found.rig.bleed})
    if apart:
        found = scored_apart(found, start, final, load_known_takes(apart, rig))
    return RefinedFiles(found, final, ())


def _with_open(rig: Rig, calibrated: Rig) -> Rig:
    """Return ``rig`` with what it leaves open taken from ``calibrated``."""
    changes: dict[str, object] = {}
    for section, key in (
        ("input", "mains_hz"),
        ("bleed", "matrix"),
        *(("detect", each) for each in ("floor_db", "level_db", "on_db", "off_db")),
    ):
        if getattr(getattr(rig, section), key) == "auto":
            changes[f"{section}.{key}"] = getattr(getattr(calibrated, section), key)
    return rig.changed(changes)


def write_refined(out: Path, base: Path | None, rig: Rig, found: RefinedFiles) -> None:
    """Write the refined rig to ``out``: the file ``base`` with its comments, or a new one; whole or not at all."""
    changes = changed_settings(rig, found.rig)
    gain = 100 * found.refined.accuracy.value
    why = f"thumbline refine: {gain:+.2f} points of accuracy on {found.refined.unseen}"
    save_changes(base, out, rig, changes, dict.fromkeys(changes, why))
