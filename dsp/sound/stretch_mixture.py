"""Time stretching of a sound of many voices, by a library.

python-stretch, a binding of the Signalsmith Stretch library (MIT licence): what the pitch-synchronous stretch of
`thumbline.dsp.sound.stretch` cannot do, since it takes one voice at a time. How the two compare is printed by
``tests/benchmarks/test_stretch_comparison.py``.
"""

import numpy as np
from numpy.typing import NDArray


def stretch_mixture(sound: NDArray[np.float32], rate: int, factor: float, frames: int) -> NDArray[np.float32]:
    """Return ``sound``, (n, channels), ``factor`` times as long at the same pitch: (``frames``, channels)."""
    if factor == 1.0:
        stretched = sound
    else:
        from python_stretch import Signalsmith

        stretcher = Signalsmith.Stretch()
        stretcher.preset(sound.shape[1], rate)
        stretcher.timeFactor = 1.0 / factor
        stretched = np.asarray(stretcher.process(np.ascontiguousarray(sound.T)), np.float32).T
    out = np.zeros((frames, sound.shape[1]), np.float32)
    out[: len(stretched)] = stretched[:frames]
    return out
