"""From a spoiled rig to the accuracy of a calibrated one, on recordings that the search has not seen.

The recordings lie in the folder that the environment variable ``THUMBLINE_RECORDINGS`` names (see its own README for
sources and licences); without it these checks are skipped.
"""

from collections.abc import Sequence
from pathlib import Path

import pytest

from tests.helpers.places import needs_recordings, recorded
from thumbline.dsp.calibration.calibrate import calibrate
from thumbline.dsp.refine.known_takes import load_known_takes, outcome
from thumbline.dsp.refine.refine_files import refine_files
from thumbline.dsp.rig.model import Rig

pytestmark = needs_recordings


def spoiled(rig: Rig, by_db: float) -> Rig:
    """The rig with thresholds off by this much and bleed ignored."""
    changes: dict[str, object] = {"bleed.matrix": "off"}
    for key in ("on_db", "off_db"):
        changes[f"detect.{key}"] = tuple(db + by_db for db in getattr(rig.detect, key))
    return rig.changed(changes)


def files(*names: str) -> list[Path]:
    return [recorded("takes", f"{name}.flac") for name in names]


def refined_and_calibrated(
    searched: Sequence[str], apart: str, open_strings: str, by_db: float, *, from_open_strings: bool
) -> tuple[float, float, float]:
    """Accuracy on the take ``apart``: of the spoiled, the refined and the calibrated rig."""
    (strings,) = files(open_strings)
    calibrated = calibrate(strings, Rig()).rig
    rig = spoiled(calibrated, by_db)
    found = refine_files(rig, files(*searched), strings if from_open_strings else None, files(apart))
    (take,) = load_known_takes(files(apart), rig)
    return outcome(rig, take).accuracy, outcome(found.rig, take).accuracy, outcome(calibrated, take).accuracy


@pytest.mark.parametrize(
    ("searched", "apart", "open_strings", "by_db"),
    [("funk_comp", "jazz_comp", "open_strings_1", -15.0), ("bossa_comp", "rock_solo", "open_strings_2", 15.0)],
)
def test_a_search_on_one_take_mends_a_spoiled_rig_for_another(
    searched: str, apart: str, open_strings: str, by_db: float
) -> None:
    before, after, calibrated = refined_and_calibrated([searched], apart, open_strings, by_db, from_open_strings=False)
    assert before < 0.97
    assert after >= calibrated - 0.002


@pytest.mark.parametrize(
    ("apart", "open_strings", "by_db"), [("funk_comp", "open_strings_1", 15.0), ("bossa_comp", "open_strings_2", -15.0)]
)
def test_open_strings_alone_mend_a_spoiled_rig(apart: str, open_strings: str, by_db: float) -> None:
    before, after, calibrated = refined_and_calibrated([], apart, open_strings, by_db, from_open_strings=True)
    assert before < 0.97
    assert after >= calibrated - 0.002
