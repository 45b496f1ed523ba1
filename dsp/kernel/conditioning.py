"""From channels to strings: trim, polarity, DC and mains removal, bleed removal, and the decimated analysis signal.

Mains removal is the adaptive noise canceller with a synthetic reference of Widrow et al., "Adaptive Noise Cancelling:
Principles and Applications" (Proc. IEEE 63, 1975): a pair of weights for each harmonic follows the hum's amplitude and
phase. It adapts while the string is silent only, so that a note on a mains harmonic (G2 at 98 Hz, B3 at 247 Hz) is not
eaten.
"""

import numpy as np

from thumbline.dsp.compilation import kernel
from thumbline.dsp.kernel.hum_watch import await_sound, watch_hum
from thumbline.dsp.memory.event_ring import emit
from thumbline.dsp.memory.events import FAULT
from thumbline.dsp.memory.record_type import Record
from thumbline.dsp.memory.records import (
    ANALYSIS_CLIP,
    ANALYSIS_STEP,
    HARMONICS,
    HOP,
    HUM_AWAITED,
    HUM_KNOWN,
    LANE_GROUP,
    LANES,
    SILENT,
    SQUARES,
    TICKS,
)
from thumbline.dsp.memory.tick_ring import place_of

#: No sample is this loud (full scale is 1): it is taken for a fault, as NaN and infinity are.
LOUDEST = 1e6
#: A sample whose square is this many times a string's threshold is too loud for hum below it.
LOUD = 4.0
#: A channel's faults are reported at most this often, so that they cannot crowd out other events.
FAULT_FRAMES = 1024


@kernel
def condition(p: Record, st: Record, channels: np.ndarray) -> None:
    """Take one frame of channels; leave each string's clean sample in ``st.clean`` and its past."""
    n = p.strings
    for s in range(0, n, LANE_GROUP):
        group = slice(s, s + LANE_GROUP)
        channel, gain = p.channel[group], p.gain[group]
        a, b, c, d = channels[channel[0]], channels[channel[1]], channels[channel[2]], channels[channel[3]]
        if not abs(a) + abs(b) + abs(c) + abs(d) < LOUDEST:  # NaN too
            a, b = _mended(p, st, channels, s), _mended(p, st, channels, s + 1)
            c, d = _mended(p, st, channels, s + 2), _mended(p, st, channels, s + 3)
        a, b, c, d = gain[0] * a, gain[1] * b, gain[2] * c, gain[3] * d
        before, out, pole = st.dc_in[group], st.dc_out[group], p.dc_pole
        out[0], out[1], out[2], out[3] = (
            a - before[0] + pole * out[0],
            b - before[1] + pole * out[1],
            c - before[2] + pole * out[2],
            d - before[3] + pole * out[3],
        )
        before[0], before[1], before[2], before[3] = a, b, c, d
    hum = p.hum_harmonics > 0
    if hum:
        for k in range(HARMONICS):
            re, im, cosine, sine = st.hum_re[k], st.hum_im[k], p.hum_cos[k], p.hum_sin[k]
            st.hum_re[k], st.hum_im[k] = re * cosine - im * sine, re * sine + im * cosine
    fir_row = st.frame & p.fir_mask
    past_row = st.frame & p.past_mask
    for s in range(0, n, LANE_GROUP):
        group = slice(s, s + LANE_GROUP)
        a, b, c, d = 0.0, 0.0, 0.0, 0.0
        for j in range(n):
            share = p.unbleed[j, group]
            y = st.dc_out[j]
            a += share[0] * y
            b += share[1] * y
            c += share[2] * y
            d += share[3] * y
        if hum:
            for k in range(HARMONICS):
                re, im = st.hum_re[k], st.hum_im[k]
                hum_a, hum_b = st.hum_a[k, group], st.hum_b[k, group]
                a -= hum_a[0] * re + hum_b[0] * im
                b -= hum_a[1] * re + hum_b[1] * im
                c -= hum_a[2] * re + hum_b[2] * im
                d -= hum_a[3] * re + hum_b[3] * im
        clean, fir_past, past = st.clean[group], st.fir_past[fir_row, group], st.past[past_row, group]
        clean[0], clean[1], clean[2], clean[3] = a, b, c, d
        fir_past[0], fir_past[1], fir_past[2], fir_past[3] = a, b, c, d
        past[0], past[1], past[2], past[3] = a, b, c, d


@kernel
def _mended(p: Record, st: Record, channels: np.ndarray, s: int) -> float:
    """A string's sample, or 0 for one that is a fault, which is reported."""
    x = float(channels[p.channel[s]])
    if abs(x) < LOUDEST:
        return x
    if s < p.strings and st.frame >= st.next_fault[s]:
        st.next_fault[s] = st.frame + FAULT_FRAMES
        emit(st, st.frame, st.frame, FAULT, s + 1, float(p.channel[s] + 1), 0.0, 0.0)
    return 0.0


@kernel
def adapt_to_hum(p: Record, st: Record) -> None:
    """Every hop: move the weights of silent strings towards the hum that is left.

    They learn from a frame a little while ago, and not from one in which a note died: the sound just before a pluck
    is recognised, or just after a note has been called ended, is not hum. At first they learn from whatever is
    heard, and forget it again where it was no hum.
    """
    if st.hum_phase == HUM_AWAITED:
        await_sound(p, st)
    # At the start the step is that of a running least-squares fit, so that hum is gone before the first note.
    first_step = max(p.hum_step, min(p.hum_first_step, 2.0 * HOP / (st.tick - st.hum_tick + 1.0)))
    row = (st.frame - p.hum_delay) & p.past_mask
    starting = st.hum_phase != HUM_KNOWN
    for s in range(p.strings):
        string = st.strings[s]
        over = string.end_tick == 0 or (st.tick - string.end_tick) * p.decimation > 2 * p.hum_delay
        quiet = st.quick[s] < p.hum_below[s] or starting
        left = st.past[row, s]
        step = first_step if st.hum_doubted[s] == 0 else p.hum_step
        # Too loud to be hum under the threshold: what the DC blocker leaves of a step.
        loud = step == p.hum_step and left * left > LOUD * p.hum_below[s] * ANALYSIS_STEP * ANALYSIS_STEP
        st.hum_left[s] = left
        st.hum_power[s] += left * left
        learns = string.phase == SILENT and over and quiet and (starting or not loud) and st.hum_kept == 0
        st.hum_error[s] = step * left if learns else 0.0
        if st.hum_unknown[s] > 0:
            silent = string.phase == SILENT and st.quick[s] < p.off_power[s]
            st.hum_unknown[s] = st.hum_unknown[s] - 1 if silent else p.hum_period
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
            st.hum_sum_a[k, s] += st.hum_left[s] * re
            st.hum_sum_b[k, s] += st.hum_left[s] * im
    watch_hum(p, st)


@kernel
def decimate(p: Record, st: Record) -> None:
    """Make each string's next analysis sample: low-pass, high-pass, rounded to whole ``ANALYSIS_STEP``."""
    middle = p.taps // 2
    for s in range(0, p.strings, LANE_GROUP):
        group = slice(s, s + LANE_GROUP)
        tap, new = p.fir[middle], st.fir_past[(st.frame - middle) & p.fir_mask, group]
        a, b, c, d = tap * new[0], tap * new[1], tap * new[2], tap * new[3]
        for k in range(middle):  # the filter is symmetric: two frames share a tap
            tap, new = p.fir[k], st.fir_past[(st.frame - k) & p.fir_mask, group]
            old = st.fir_past[(st.frame - p.taps + 1 + k) & p.fir_mask, group]
            a += tap * (new[0] + old[0])
            b += tap * (new[1] + old[1])
            c += tap * (new[2] + old[2])
            d += tap * (new[3] + old[3])
        low = st.low[group]
        low[0], low[1], low[2], low[3] = a, b, c, d
    for s in range(LANES):
        x = st.low[s]
        y = p.highpass[0, s] * x + st.hp1[s]
        st.hp1[s] = p.highpass[1, s] * x - p.highpass[3, s] * y + st.hp2[s]
        st.hp2[s] = p.highpass[2, s] * x - p.highpass[4, s] * y
        steps = min(max(y * (1.0 / ANALYSIS_STEP), -ANALYSIS_CLIP), ANALYSIS_CLIP)
        st.low[s] = np.floor(steps + 0.5)
    tick = st.tick
    place = place_of(tick)
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
        # Bleed removal puts into a channel that is stuck what it would take out of a live one.
        still = st.dc_in[s] == st.still_in[s]
        st.still_in[s] = st.dc_in[s]
        st.still_ticks[s] = st.still_ticks[s] + 1 if still else 0
        st.quick[s] = float(st.quick_sum[s]) / p.short_ticks if st.still_ticks[s] < p.still_ticks else 0.0
