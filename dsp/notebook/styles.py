"""Where to begin for a way of playing: sliders of the tuning page, to be moved on by ear and eye.

The values are a start (common practice, no source): what is damped asks for a gentler eye, what is strummed for
patience.
"""

from collections.abc import Mapping

from thumbline.dsp.rig.model import Rig

AS_IN_THE_RIG = "as in the rig"
#: By style: ``detect.strictness``, and ``proof_ms``, ``settle_ms`` and ``shortest_ms`` of ``choice``.
STYLES: Mapping[str, tuple[float, float, float, float]] = {
    "fingerstyle": (1.0, 0.0, 0.0, 0.0),
    "palm-muted thumb": (0.5, 4.0, 0.0, 0.0),
    "strumming": (1.0, 10.0, 15.0, 80.0),
    "walking bass with chords": (0.8, 5.0, 8.0, 60.0),
}


def start_for(style: str, rig: Rig) -> tuple[float, float, float, float]:
    """Return strictness, proof, settle and shortest (ms) of a style; those of ``rig`` where it is none of the above."""
    choice = rig.choice
    own = (rig.detect.strictness, choice.proof_ms, choice.settle_ms, choice.shortest_ms)
    return STYLES.get(style, own)
