"""From channels to strings: trim, polarity, DC and mains removal, bleed removal, and the decimated analysis signal.

Mains removal is the adaptive noise canceller with a synthetic reference of Widrow et al., "Adaptive Noise Cancelling:
Principles and Applications" (Proc. IEEE 63, 1975): a pair of weights for each harmonic follows the hum's amplitude and
phase. It adapts quickly while the string is silent and next to nothing while it sounds, so that a note on a mains
harmonic (G2 at 98 Hz, B3 at 247 Hz) is not eaten.
"""

import math

import numpy as np

from thumbline.dsp.compilation import kernel
from thumbline.dsp.event_ring import emit
from thumbline.dsp.records import ANALYSIS_CLIP, ANALYSIS_STEP, FAULT, HISTORY, SILENT, TAPS, TICKS


@kernel
def condition(p: np.void, st: np.void, channels: np.ndarray) -> None:
    """Take one frame of channels; leave each string's clean sample in ``st.clean`` and its past."""
    n = p.strings
    for s in range(n):
        st.clean[s] = 0.0
    for j in range(n):
        x = channels[p.channel[j]]
        if not math.isfinite(x):
            x = 0.0
            st.faults += 1
            emit(st, st.frame, st.frame, FAULT, j + 1, float(p.channel[j] + 1), 0.0, 0.0)
        x *= p.gain[j]
        y = x - st.dc_in[j] + p.dc_pole * st.dc_out[j]
        st.dc_in[j] = x
        st.dc_out[j] = y
        for s in range(n):
            st.clean[s] += p.unbleed[j, s] * y
    if p.hum_harmonics > 0:
        _remove_hum(p, st)
    row = st.frame & (TAPS - 1)
    for s in range(n):
        st.fir_past[row, s] = st.clean[s]
        st.strings[s].past[st.frame & (HISTORY - 1)] = st.clean[s]


@kernel
def _remove_hum(p: np.void, st: np.void) -> None:
    n = p.strings
    # At the start the step is that of a running least-squares fit, so that hum is gone before the first note.
    quick = max(p.hum_quick, min(10.0 * p.hum_quick, 2.0 / (st.frame + 1.0)))
    for k in range(p.hum_harmonics):
        re = st.hum_re[k] * p.hum_cos[k] - st.hum_im[k] * p.hum_sin[k]
        im = st.hum_re[k] * p.hum_sin[k] + st.hum_im[k] * p.hum_cos[k]
        length = 1.5 - 0.5 * (re * re + im * im)  # keeps the oscillator at unit length
        st.hum_re[k] = re * length
        st.hum_im[k] = im * length
        for s in range(n):
            st.clean[s] -= st.hum_a[k, s] * st.hum_re[k] + st.hum_b[k, s] * st.hum_im[k]
    for k in range(p.hum_harmonics):
        for s in range(n):
            step = quick if st.strings[s].phase == SILENT else p.hum_slow
            st.hum_a[k, s] += step * st.clean[s] * st.hum_re[k]
            st.hum_b[k, s] += step * st.clean[s] * st.hum_im[k]


@kernel
def decimate(p: np.void, st: np.void) -> None:
    """Make each string's next analysis sample: low-pass, high-pass, rounded to whole ``ANALYSIS_STEP``."""
    n = p.strings
    for s in range(n):
        st.low[s] = 0.0
    newest = st.frame & (TAPS - 1)
    for k in range(p.taps):
        row = (newest - k) & (TAPS - 1)
        tap = p.fir[k]
        for s in range(n):
            st.low[s] += tap * st.fir_past[row, s]
    tick = st.tick
    place = TICKS - 1 - (tick & (TICKS - 1))
    for s in range(n):
        string = st.strings[s]
        y = p.highpass[s, 0] * st.low[s] + string.hp1
        string.hp1 = p.highpass[s, 1] * st.low[s] - p.highpass[s, 3] * y + string.hp2
        string.hp2 = p.highpass[s, 2] * st.low[s] - p.highpass[s, 4] * y
        steps = min(max(y / ANALYSIS_STEP, -ANALYSIS_CLIP), ANALYSIS_CLIP)
        whole = np.int64(math.floor(steps + 0.5))
        string.ticks[place] = whole
        string.ticks[place + TICKS] = whole
        string.energy[tick & (TICKS - 1)] = string.energy[(tick - 1) & (TICKS - 1)] + whole * whole
