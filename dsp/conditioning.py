"""From channels to strings: trim, polarity, DC and mains removal, bleed removal, and the decimated analysis signal.

Mains removal is the adaptive noise canceller with a synthetic reference of Widrow et al., "Adaptive Noise Cancelling:
Principles and Applications" (Proc. IEEE 63, 1975): a pair of weights for each harmonic follows the hum's amplitude and
phase. It adapts while the string is silent only, so that a note on a mains harmonic (G2 at 98 Hz, B3 at 247 Hz) is not
eaten.
"""

import math

import numpy as np

from thumbline.dsp.compilation import kernel
from thumbline.dsp.event_ring import emit
from thumbline.dsp.records import ANALYSIS_CLIP, ANALYSIS_STEP, FAULT, HOP, LANES, SILENT, SQUARES, TICKS, Record

#: No sample is this loud (full scale is 1): it is taken for a fault, as NaN and infinity are.
LOUDEST = 1e6
#: A channel's faults are reported at most this often, so that they cannot crowd out other events.
FAULT_FRAMES = 1024


@kernel
def condition(p: Record, st: Record, channels: np.ndarray) -> None:
    """Take one frame of channels; leave each string's clean sample in ``st.clean`` and its past."""
    n = p.strings
    for j in range(n):
        x = channels[p.channel[j]]
        if not abs(x) < LOUDEST:  # NaN too
            x = 0.0
            if st.frame >= st.next_fault[j]:
                st.next_fault[j] = st.frame + FAULT_FRAMES
                emit(st, st.frame, st.frame, FAULT, j + 1, float(p.channel[j] + 1), 0.0, 0.0)
        x *= p.gain[j]
        st.dc_out[j] = x - st.dc_in[j] + p.dc_pole * st.dc_out[j]
        st.dc_in[j] = x
    for k in range(p.hum_harmonics):
        re = st.hum_re[k] * p.hum_cos[k] - st.hum_im[k] * p.hum_sin[k]
        st.hum_im[k] = st.hum_re[k] * p.hum_sin[k] + st.hum_im[k] * p.hum_cos[k]
        st.hum_re[k] = re
    fir_row = st.frame & p.fir_mask
    past_row = st.frame & p.past_mask
    for s in range(0, n, 4):  # four strings at a time: one vector register each
        a, b, c, d = 0.0, 0.0, 0.0, 0.0
        for j in range(n):
            y = st.dc_out[j]
            a += p.unbleed[j, s] * y
            b += p.unbleed[j, s + 1] * y
            c += p.unbleed[j, s + 2] * y
            d += p.unbleed[j, s + 3] * y
        for k in range(p.hum_harmonics):
            re, im = st.hum_re[k], st.hum_im[k]
            a -= st.hum_a[k, s] * re + st.hum_b[k, s] * im
            b -= st.hum_a[k, s + 1] * re + st.hum_b[k, s + 1] * im
            c -= st.hum_a[k, s + 2] * re + st.hum_b[k, s + 2] * im
            d -= st.hum_a[k, s + 3] * re + st.hum_b[k, s + 3] * im
        st.clean[s], st.clean[s + 1], st.clean[s + 2], st.clean[s + 3] = a, b, c, d
        for v, y in enumerate((a, b, c, d)):
            st.fir_past[fir_row, s + v] = y
            st.past[past_row, s + v] = y


@kernel
def adapt_to_hum(p: Record, st: Record) -> None:
    """Every hop: move the weights of silent strings towards the hum that is left.

    They learn from a frame a little while ago, and not from one in which a note died: what is heard just before a pluck
    is recognised, or just after a note has been called ended, is not hum.
    """
    # At the start the step is that of a running least-squares fit, so that hum is gone before the first note.
    step = max(p.hum_step, min(p.hum_first_step, 2.0 * HOP / (st.tick + 1.0)))
    row = (st.frame - p.hum_delay) & p.past_mask
    for s in range(p.strings):
        string = st.strings[s]
        over = string.end_tick == 0 or (st.tick - string.end_tick) * p.decimation > 2 * p.hum_delay
        quiet = st.quick[s] < p.on_power[s] or st.tick < p.hum_ticks
        st.hum_error[s] = step * st.past[row, s] if string.phase == SILENT and over and quiet else 0.0
    for k in range(p.hum_harmonics):
        # Keeps the oscillator at unit length.
        length = 1.5 - 0.5 * (st.hum_re[k] * st.hum_re[k] + st.hum_im[k] * st.hum_im[k])
        st.hum_re[k] *= length
        st.hum_im[k] *= length
        re = st.hum_re[k] * p.hum_back_cos[k] + st.hum_im[k] * p.hum_back_sin[k]
        im = st.hum_im[k] * p.hum_back_cos[k] - st.hum_re[k] * p.hum_back_sin[k]
        for s in range(LANES):
            st.hum_a[k, s] += st.hum_error[s] * re
            st.hum_b[k, s] += st.hum_error[s] * im


@kernel
def decimate(p: Record, st: Record) -> None:
    """Make each string's next analysis sample: low-pass, high-pass, rounded to whole ``ANALYSIS_STEP``."""
    middle = p.taps // 2
    for s in range(0, p.strings, 4):
        row = (st.frame - middle) & p.fir_mask
        tap = p.fir[middle]
        a, b, c, d = (
            tap * st.fir_past[row, s],
            tap * st.fir_past[row, s + 1],
            tap * st.fir_past[row, s + 2],
            tap * st.fir_past[row, s + 3],
        )
        for k in range(middle):  # the filter is symmetric: two frames share a tap
            new, old = (st.frame - k) & p.fir_mask, (st.frame - p.taps + 1 + k) & p.fir_mask
            tap = p.fir[k]
            a += tap * (st.fir_past[new, s] + st.fir_past[old, s])
            b += tap * (st.fir_past[new, s + 1] + st.fir_past[old, s + 1])
            c += tap * (st.fir_past[new, s + 2] + st.fir_past[old, s + 2])
            d += tap * (st.fir_past[new, s + 3] + st.fir_past[old, s + 3])
        st.low[s], st.low[s + 1], st.low[s + 2], st.low[s + 3] = a, b, c, d
    for s in range(LANES):
        x = st.low[s]
        y = p.highpass[0, s] * x + st.hp1[s]
        st.hp1[s] = p.highpass[1, s] * x - p.highpass[3, s] * y + st.hp2[s]
        st.hp2[s] = p.highpass[2, s] * x - p.highpass[4, s] * y
        steps = min(max(y * (1.0 / ANALYSIS_STEP), -ANALYSIS_CLIP), ANALYSIS_CLIP)
        st.low[s] = math.floor(steps + 0.5)
    tick = st.tick
    place = TICKS - 1 - (tick & (TICKS - 1))
    new_row = tick & (SQUARES - 1)
    old_row = (tick - p.short_ticks) & (SQUARES - 1)
    for s in range(p.strings):
        string = st.strings[s]
        string.ticks[place] = st.low[s]
        string.ticks[place + TICKS] = st.low[s]
        square = np.int64(st.low[s]) * np.int64(st.low[s])
        string.energy_now += square
        string.energy[place] = string.energy_now
        string.energy[place + TICKS] = string.energy_now
        st.quick_sum[s] += square - st.squares[old_row, s]
        st.squares[new_row, s] = square
        st.quick[s] = float(st.quick_sum[s]) / p.short_ticks
