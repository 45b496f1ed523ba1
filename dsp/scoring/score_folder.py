"""Score a rendered folder against a truth file."""

from pathlib import Path

from thumbline.dsp.results.folder import Result, read_result
from thumbline.dsp.scoring.score import Score, score
from thumbline.dsp.scoring.true_bass import TrueBass
from thumbline.dsp.scoring.truth import load_truth


def score_folder(folder: Path, truth: Path) -> tuple[Score, TrueBass, Result]:
    """Score what `thumbline render` wrote into ``folder``.

    Raises InputError, of one line, for a folder or a truth that cannot be read.
    """
    result = read_result(folder)
    bass = TrueBass(load_truth(truth, result.rig))
    return score(bass, result.bassline, result.notes, result.mutes, strings=result.rig.string_count), bass, result
