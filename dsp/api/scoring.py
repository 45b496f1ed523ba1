"""A split take against the notes that were really played."""

import os
from collections.abc import Sequence

from thumbline.dsp.api.split import Split
from thumbline.dsp.scoring import score as scoring
from thumbline.dsp.scoring.score import Score
from thumbline.dsp.scoring.true_bass import TrueBass
from thumbline.dsp.scoring.truth import TrueNote, load_truth


def score(found: Split, truth: str | os.PathLike[str] | Sequence[TrueNote]) -> Score:
    """Score a split take against the notes that were really played.

    Parameters
    ----------
    found : Split
        What `split` returned.
    truth : path-like, or sequence of TrueNote
        A table (CSV), a Standard MIDI File, JAMS or the JSON of a synthetic take; or its notes.

    Returns
    -------
    Score
        Shares of time on the right string, precision, recall and F of notes, latencies of the mutes.

    Raises
    ------
    InputError
        If the file cannot be read, or holds no usable notes.

    Examples
    --------
    >>> import thumbline.dsp as tl
    >>> frames, rate = tl.read_take("data/demo.flac")
    >>> found = tl.split(frames, rate, tl.load_rig("data/demo.toml"))
    >>> tl.score(found, "data/demo.json").path_right > 0.9
    True
    """
    notes = load_truth(truth, found.rig) if isinstance(truth, str | os.PathLike) else truth
    return scoring.score(TrueBass(notes), found.bass_rows, found.note_rows, found.mutes, strings=found.rig.string_count)
