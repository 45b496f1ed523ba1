"""The guitar part: the strings that are not the bass, panned."""

import numpy as np

from thumbline.dsp.compilation import kernel
from thumbline.dsp.memory.record_type import Record
from thumbline.dsp.memory.records import LEFT, RIGHT


@kernel
def mix_guitar(p: Record, st: Record, out: np.ndarray) -> None:
    """Write one frame of the guitar's two columns; a string fades as the bass takes or leaves it."""
    left = 0.0
    right = 0.0
    taken = st.bass if p.all_strings == 0 else -1
    for s in range(p.strings):
        gain = st.rest_gain[s]
        if s == taken:
            if gain > 0.0:
                gain = max(gain - p.fade_step, 0.0)
                st.rest_gain[s] = gain
        elif gain < 1.0:
            gain = min(gain + p.fade_step, 1.0)
            st.rest_gain[s] = gain
        x = gain * st.clean[s]
        left += st.now.pan[s, 0] * x
        right += st.now.pan[s, 1] * x
    out[LEFT] = left
    out[RIGHT] = right
