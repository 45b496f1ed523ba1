"""The walk of a player whose notes are missed, step by step as the tuning notebook leads, by what it says alone."""

from pathlib import Path

import pytest

from tests.helpers.places import RECORDINGS, recorded
from thumbline.dsp.calibration.calibrate import calibrate
from thumbline.dsp.notebook.panel import TuningPanel
from thumbline.dsp.notebook.reasons import explain_notes
from thumbline.dsp.notebook.sweep import KEYS, Setting, sweep_setting
from thumbline.dsp.notebook.workbench import open_workbench
from thumbline.dsp.rig.adjustment import Adjustment, adjusted, everywhere
from thumbline.dsp.rig.file import load_rig, rig_text, write_rig
from thumbline.dsp.rig.model import Rig

pytestmark = pytest.mark.skipif(
    RECORDINGS is None, reason="THUMBLINE_RECORDINGS does not name the folder of recordings"
)
TAKES = recorded("takes")
SECONDS = 9.0


@pytest.fixture(scope="module")
def calibrated() -> Rig:
    """The rig of a guitar with rough attacks, none of those that the demo and its thresholds come from."""
    return calibrate(TAKES / "open_strings_3.flac", Rig()).rig


@pytest.mark.parametrize(
    ("setting", "spoiled_by"),
    [("strictness", Adjustment(strictness=6.0)), ("on_db", Adjustment(on_db=everywhere(Rig(), 34.0)))],
    ids=["only clear notes", "threshold too high"],
)
def test_reasons_name_the_setting_and_what_is_recommended_brings_the_notes_back(
    setting: Setting, spoiled_by: Adjustment, calibrated: Rig, tmp_path: Path
) -> None:
    rig_file = tmp_path / "my-guitar.toml"
    write_rig(rig_file, rig_text(adjusted(calibrated, spoiled_by), {}))
    # 1. Put the take and its rig into the first cell; the notes that were played lie beside the take.
    bench = open_workbench(TAKES / "archtop_comp.flac", rig=rig_file, seconds=SECONDS)
    before = bench.decisions()
    assert len(before.missed) >= 4
    # 2. Read why notes are missed: most of the reasons name one setting.
    said = explain_notes(bench)
    assert said.setting == KEYS[setting]
    assert f"name {KEYS[setting]}: sweep that." in said.headline
    # 3. Sweep that setting, and read what to set.
    swept = sweep_setting(bench, setting)
    assert swept.recommended is not None
    assert swept.in_words.startswith("off the plateau, which lies at ")
    # 4. Put the slider there and save the rig.
    panel = TuningPanel(bench)
    if setting == "on_db":
        panel.move(on=swept.recommended)
    else:
        panel.move(strictness=swept.recommended)
    panel.path.value = str(rig_file)
    panel.save.click()
    assert f"{KEYS[setting]} changed" in panel.said.value
    # 5. Open the take again: the notes are back, and none came that nobody played.
    after = open_workbench(TAKES / "archtop_comp.flac", rig=rig_file, seconds=SECONDS).decisions()
    assert load_rig(rig_file) == panel.rig
    assert len(after.missed) <= len(before.missed) / 4
    assert len(after.false) <= len(before.false)
    assert after.right is not None
    assert before.right is not None
    assert after.right > before.right
