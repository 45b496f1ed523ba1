"""Takes on the bench that several test modules share; nobody changes them."""

from functools import cache

import numpy as np

from tests.helpers.places import DATA
from thumbline.dsp.notebook.workbench import Workbench, open_workbench
from thumbline.dsp.rig.adjustment import Adjustment, adjusted, everywhere
from thumbline.dsp.rig.model import Rig
from thumbline.dsp.scoring.score import Score, score


@cache
def demo_bench() -> Workbench:
    """The demo take with its rig and truth."""
    return open_workbench(DATA / "demo.flac")


def demo_rig(on_db: float = 0.0, off_db: float = 0.0) -> Rig:
    """The demo's rig with the thresholds of all strings moved."""
    rig = demo_bench().rig
    return adjusted(rig, Adjustment(everywhere(rig, on_db), everywhere(rig, off_db)))


def scored(bench: Workbench) -> Score:
    """The score of what is decided with the rig as it was loaded."""
    found = bench.decisions()
    return score(bench.reference.bass, found.bassline, found.notes, found.mutes, strings=bench.rig.string_count)


def pixels(png: bytes) -> np.ndarray:
    """A PNG picture as (height, width, 3) of 0 to 1."""
    from io import BytesIO

    from matplotlib.image import imread

    return np.asarray(imread(BytesIO(png), format="png"))[:, :, :3]
