"""The bass in a rest that fades: its last note rings on as a tone that dies away evenly.

Every hop *what is left* of the last note is the string's own power, or what was left a hop ago less the fade, whichever
is more. While the string sounds by itself the two are alike and nothing is added. Where it is stopped, or may not carry
the bass any longer, what is left and the string part, and a tone at the pitch of the bass fills the gap. A new note, or
another string, ends it. Nothing is decided here: notes, hand-overs and mutes are those of a bass that stops.
"""

import math

from thumbline.dsp.compilation import kernel
from thumbline.dsp.kernel.first_partial import partial_period
from thumbline.dsp.memory.record_type import Record
from thumbline.dsp.memory.records import ANALYSIS_STEP, SOUNDING, SYNTH

#: A string that has lost less than this of what is left is not helped (power): attacks settle by as much.
OWN_WAY = 10.0 ** (6 / 10)
#: Mean square of `tone`: half the sum of the squares of its partials, 1.2, 0.5, 0.2 and 0.05.
TONE_POWER = 0.86625
#: What is softer than this has rung out (amplitude): 180 dB below full scale.
GONE = 1e-9


@kernel
def tone(phase: float) -> float:
    """Return a round fundamental with a little of the second to fourth harmonic, so that small speakers speak too."""
    cosine = math.cos(phase)
    return math.sin(phase) * (1.0 + cosine * (0.8 + cosine * (0.8 + 0.4 * cosine)))


@kernel
def follow_rest(p: Record, st: Record) -> None:
    """Every hop, after the level of the voice: how loud the last note should ring on."""
    tail, bass = st.tail, st.bass
    tail.target = 0.0
    if p.rest_fade == 0.0 or st.controls.split == 0:
        tail.power = 0.0
        return
    tail.power *= p.rest_fade
    own = 0.0
    if bass >= 0:
        string = st.strings[bass]
        own = st.level[bass]
        if bass != tail.string or string.pluck_tick != tail.pluck_tick:
            tail.string = bass
            tail.pluck_tick = string.pluck_tick
            tail.power = 0.0
        if string.phase == SOUNDING and string.note == 1:
            tail.power = max(tail.power, own)
            tail.increment = 2.0 * math.pi * st.ratio / (partial_period(string) * p.decimation)
    missing = tail.power - OWN_WAY * own
    if missing <= 0.0:
        return
    if p.voice == SYNTH:  # its own tone goes on
        st.synth_known = 1
        st.synth_level = max(st.synth_level, math.sqrt(2.0 * missing) * ANALYSIS_STEP)
        return
    tail.target = math.sqrt(missing / TONE_POWER) * ANALYSIS_STEP


@kernel
def ring_on(p: Record, st: Record) -> float:
    """One frame of the tone, at the level of the string."""
    tail = st.tail
    tail.amplitude += p.smoothing * (tail.target - tail.amplitude)
    if tail.target == 0.0 and tail.amplitude < GONE:
        tail.amplitude = 0.0
    tail.phase += tail.increment
    if tail.phase > math.pi:
        tail.phase -= 2.0 * math.pi
    return tail.amplitude * tone(tail.phase)
