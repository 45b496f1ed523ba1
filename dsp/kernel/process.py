"""The one way sound passes: frames of channels in, frames of bass and guitar out, events in the ring."""

import numpy as np

from thumbline.dsp.compilation import kernel
from thumbline.dsp.kernel.bass_voice import follow_level, render_bass, update_heads
from thumbline.dsp.kernel.choice import choose
from thumbline.dsp.kernel.conditioning import adapt_to_hum, condition, decimate
from thumbline.dsp.kernel.controls import step_ramp, take_controls
from thumbline.dsp.kernel.guitar_mix import mix_guitar
from thumbline.dsp.kernel.limiter import limit
from thumbline.dsp.kernel.offsets import decay_tail
from thumbline.dsp.kernel.onsets import detect_plucks
from thumbline.dsp.kernel.rest import follow_rest
from thumbline.dsp.kernel.string_update import update_string
from thumbline.dsp.kernel.tone_stage import make_partials
from thumbline.dsp.memory.record_type import Record
from thumbline.dsp.memory.records import BASS, HOP, HUM_KNOWN, SILENT


@kernel
def process(p: Record, st: Record, frames_in: np.ndarray, frames_out: np.ndarray) -> None:
    """Pass frames through the processor.

    Parameters
    ----------
    p, st
        Records of dtype ``PARAMS`` and ``STATE`` (element 0 of arrays of length 1).
    frames_in
        float64 (n, channels), full scale 1; channels as in the take.
    frames_out
        float64 (n, 3), overwritten: bass, guitar left, guitar right.

    The result does not depend on how frames are grouped into calls; ``st.controls`` are looked at when a call begins.
    Nothing is allocated.
    """
    take_controls(p, st)
    for i in range(frames_in.shape[0]):
        if st.ramp > 0:
            step_ramp(st)
        condition(p, st, frames_in[i])
        if (st.frame + 1) % p.decimation == 0:
            _analyse(p, st)
        out = frames_out[i]
        out[BASS] = render_bass(p, st)
        mix_guitar(p, st, out)
        limit(p, st, out)
        st.frame += 1


@kernel
def decide(p: Record, st: Record, frames_in: np.ndarray) -> None:
    """Pass frames through everything that decides and nothing that sounds: `process` without its output.

    The events are the same, bit for bit, in about two thirds of the time. A state that has been through here knows no
    bass voice: it is for decisions alone.
    """
    for i in range(frames_in.shape[0]):
        condition(p, st, frames_in[i])
        if (st.frame + 1) % p.decimation == 0:
            _analyse_strings(p, st)
            choose(p, st)
            st.tick += 1
        st.frame += 1


@kernel
def _analyse(p: Record, st: Record) -> None:
    """Every tick: analyse the strings, choose the bass and move its heads; every hop: follow the level."""
    _analyse_strings(p, st)
    if (st.tick + 1) % HOP == 0:
        follow_level(p, st)
        follow_rest(p, st)
    choose(p, st)
    update_heads(p, st)
    make_partials(p, st)
    st.tick += 1


@kernel
def _analyse_strings(p: Record, st: Record) -> None:
    """Every tick: detect plucks; every hop: update the strings that sound, and let the tails of the others decay."""
    decimate(p, st)
    if st.hum_phase == HUM_KNOWN:
        detect_plucks(p, st)
    if (st.tick + 1) % HOP == 0:
        if p.hum_harmonics > 0:
            adapt_to_hum(p, st)
        for s in range(p.strings):
            if st.strings[s].phase != SILENT:
                update_string(p, st, s)
            else:
                decay_tail(p, st, s)
