"""The ceiling: no sample of any output passes it, and no frame is delayed for it.

The gain falls in the very frame that would pass the ceiling and recovers exponentially. Without look-ahead the onset of
limiting bends the wave within one frame; that is the price of adding no delay, and the reason to leave headroom.
"""

import numpy as np

from thumbline.dsp.compilation import kernel
from thumbline.dsp.memory.record_type import Record
from thumbline.dsp.memory.records import BASS, LEFT, RIGHT


@kernel
def limited_gain(gain: float, peak: float, release: float, ceiling: float) -> float:
    """Return the next frame's gain: it recovers by ``release``, and keeps ``peak`` (0 or more) under ``ceiling``."""
    gain += release * (1.0 - gain)
    if peak * gain > ceiling:
        gain = ceiling / peak
    return gain


@kernel
def limit(p: Record, st: Record, out: np.ndarray) -> None:
    """Limit one frame: the bass by itself, left and right by one gain."""
    ceiling = st.now.ceiling
    gain = limited_gain(st.limiter_gain[0], abs(out[BASS]), p.limiter_release, ceiling)
    st.limiter_gain[0] = gain
    out[BASS] = min(max(out[BASS] * gain, -ceiling), ceiling)
    peak = max(abs(out[LEFT]), abs(out[RIGHT]))
    gain = limited_gain(st.limiter_gain[1], peak, p.limiter_release, ceiling)
    st.limiter_gain[1] = gain
    out[LEFT] = min(max(out[LEFT] * gain, -ceiling), ceiling)
    out[RIGHT] = min(max(out[RIGHT] * gain, -ceiling), ceiling)
