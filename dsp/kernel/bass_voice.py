"""The bass voice: the chosen string an interval lower, or a synthesised tone that follows it.

The shifted voice reads the string's past more slowly than it is written. A reading head falls behind by ``1 - ratio``
frames per frame; when it lags by a whole period, another head takes over exactly one period further on, where the wave
is the same, and the two cross-fade (time-domain pitch-synchronous overlap, in the manner of Hamon, Moulines and
Charpentier, "A diphone synthesis system based on time-domain prosodic modifications of speech", ICASSP 1989). A
plucked string is read from the beginning of its attack, at first at its own speed, so the attack is neither delayed nor
drawn out; an octave down, the first jump is due two periods after the pluck, and the pitch is known after one and a
half.

A string that loses the bass to a pluck is cut off by its attack, or lingers under it, softer and softer; until it has
gone it is read on as before, by a head of its own.

The synthesised voice is a sum of the first harmonics at the shifted pitch with the string's level. It cannot begin
before the pitch is known: until then the shifted string is heard.
"""

import math

import numpy as np

from thumbline.dsp.compilation import kernel
from thumbline.dsp.kernel.first_partial import partial_period
from thumbline.dsp.kernel.rest import ring_on, tone
from thumbline.dsp.kernel.tone_stage import shape
from thumbline.dsp.memory.record_type import Record
from thumbline.dsp.memory.records import ANALYSIS_STEP, SILENT, SOUNDING, SYNTH
from thumbline.dsp.memory.voice_records import HEADS

#: Frames behind the newest at which a head starts: the interpolation looks one frame ahead.
NEWEST = 2.0
#: A jump lies about half-way between the period and the first partial's, so that all of a stiff string's partials stay
#: within little more than half the sharpness of where they belong, an octave down.
SHARPNESS_SHARE = 0.55
#: A head without a period to jump by lags by this many of the string's longest periods at most.
LONGEST_LAG = 2.5
#: Greatest correction by ``dynamics`` (amplitude).
DYNAMICS_LIMIT = 10.0 ** (18 / 20)
#: A voice that has faded to this share is out.
INAUDIBLE = 1e-6


@kernel
def _interpolate(past: np.ndarray, mask: int, string: int, frame: int, lag: float) -> float:
    """The string ``lag`` frames before ``frame``: cubic Hermite (Catmull-Rom) through four frames."""
    whole = math.floor(lag)
    x = 1.0 - (lag - whole)
    at = frame - whole - 1
    a, b = past[(at - 1) & mask, string], past[at & mask, string]
    c, d = past[(at + 1) & mask, string], past[(at + 2) & mask, string]
    return b + 0.5 * x * (c - a + x * (2.0 * a - 5.0 * b + 4.0 * c - d + x * (3.0 * (b - c) + d - a)))


@kernel
def _take_head(st: Record, string: int, lag: float, rate: float, step: float) -> None:
    """Start a head that fades in, and let the leading one fade out as fast."""
    free = 0
    for h in range(HEADS):
        if st.heads[h].string < 0:
            free = h
            break
        if st.heads[h].gain < st.heads[free].gain and h != st.lead and h != st.lingering:
            free = h
    if st.lead >= 0:
        st.heads[st.lead].step = -step
    head = st.heads[free]
    head.string = string
    head.lag = lag
    head.rate = rate
    head.gain = 0.0
    head.step = step
    head.level = 1.0
    head.ebb = 0.0
    st.lead = free


@kernel
def _let_linger(p: Record, st: Record) -> None:
    """The string that leads has lost the bass to a pluck: it lingers, and what lingered before makes room."""
    if st.lingering >= 0:
        st.heads[st.lingering].step = -p.fade_step
    st.lingering = st.lead
    st.heads[st.lead].ebb = p.linger_step
    st.lead = -1


@kernel
def _read_on(p: Record, st: Record) -> None:
    """Every tick: let the head that lingers jump as the one that leads does, until its string has the bass again."""
    at = st.lingering
    if at < 0:
        return
    head = st.heads[at]
    if head.string < 0 or head.level <= 0.0:
        st.lingering = -1
        return
    if head.string == st.bass:
        head.step = -p.attack_step
        st.lingering = -1
        return
    period = _jump_period(p, st, head.string)
    if head.gain < 1.0 or period == 0.0 or head.lag < period + NEWEST:
        return  # without a period it reads on as far as the past reaches: its string has been stopped
    lead, level = st.lead, head.level
    st.lead = at
    jump = math.floor((head.lag - NEWEST) / period) * period
    _take_head(st, head.string, head.lag - jump, head.rate, 2.0 / period)
    st.lingering, st.lead = st.lead, lead
    st.heads[st.lingering].level = level
    st.heads[st.lingering].ebb = p.linger_step


@kernel
def _jump_period(p: Record, st: Record, s: int) -> float:
    """Frames by which a head of a string jumps; 0 while its pitch is unknown."""
    string = st.strings[s]
    return string.period * 2.0 ** (SHARPNESS_SHARE * string.sharpness) * p.decimation


@kernel
def update_heads(p: Record, st: Record) -> None:
    """Every tick: answer hand-overs and plucks, and let a head that lags by a period jump."""
    bass = st.bass
    _read_on(p, st)
    lead_string = st.heads[st.lead].string if st.lead >= 0 else -1
    if bass < 0:
        if st.lead >= 0:
            st.heads[st.lead].step = -p.fade_step
            st.lead = -1
        return
    string = st.strings[bass]
    if lead_string != bass or string.attack_tick > st.attack_seen:
        if st.tick - string.attack_tick < 2 * p.short_ticks:
            # The attack is heard from its beginning and at its own speed, then slows down.
            if p.linger_step > 0.0 and lead_string >= 0 and lead_string != bass:
                _let_linger(p, st)
            since = float((st.tick - string.restart_tick) * p.decimation + (p.taps - 1) // 2)
            _take_head(st, bass, max(NEWEST, min(since, p.longest_lead)), 1.0, p.attack_step)
        else:
            _take_head(st, bass, NEWEST, st.ratio, p.fade_step)
        st.attack_seen = st.tick
        return
    head = st.heads[st.lead]
    if head.gain < 1.0:
        return
    period = _jump_period(p, st, bass)
    if period > 0.0:
        if head.lag >= period + NEWEST:
            jump = math.floor((head.lag - NEWEST) / period) * period
            _take_head(st, bass, head.lag - jump, head.rate, 2.0 / period)
    elif head.lag > LONGEST_LAG * p.lag_max[bass] * p.decimation:
        # No period to jump by (a scrape, a thump): keep near the present all the same.
        _take_head(st, bass, NEWEST, st.ratio, p.fade_step)


@kernel
def follow_level(p: Record, st: Record) -> None:
    """Every hop: pitch and level for the synthesised voice and the dynamics."""
    bass = st.bass
    st.synth_level = 0.0
    st.synth_known = 0
    if bass < 0 or st.strings[bass].phase == SILENT:
        return
    string = st.strings[bass]
    st.synth_level = math.sqrt(2.0 * st.level[bass]) * ANALYSIS_STEP
    if string.phase == SOUNDING:
        st.synth_known = 1
        st.synth_increment = 2.0 * math.pi * st.ratio / (partial_period(string) * p.decimation)
    st.dynamics_target = 1.0
    if p.dynamics < 1.0 and st.level[bass] > 0.0:
        wanted = (p.typical_power[bass] / st.level[bass]) ** (0.5 * (1.0 - p.dynamics))
        st.dynamics_target = min(max(wanted, 1.0 / DYNAMICS_LIMIT), DYNAMICS_LIMIT)


@kernel
def render_bass(p: Record, st: Record) -> float:
    """One frame of bass."""
    y = 0.0
    for h in range(HEADS):
        head = st.heads[h]
        if head.string < 0:
            continue
        y += head.level * head.gain * _interpolate(st.past, p.past_mask, head.string, st.frame, head.lag)
        head.lag += 1.0 - head.rate
        head.rate += p.slowing * (st.ratio - head.rate)
        head.gain = min(1.0, head.gain + head.step)
        head.level -= head.ebb
        if head.gain <= 0.0 or head.level <= 0.0 or head.lag > p.past_mask - 8:
            if h == st.lead:
                st.lead = -1
            head.string = -1
    if p.voice == SYNTH or st.synth_mix > 0.0:
        y = _synthesise(p, st, y)
    if st.tail.target > 0.0 or st.tail.amplitude > 0.0:
        y += ring_on(p, st)
    st.dynamics_gain += p.smoothing * (st.dynamics_target - st.dynamics_gain)
    now = st.now
    y *= now.bass_gain * st.dynamics_gain
    y = shape(st, y)
    out = now.tone[0] * y + st.tone1
    st.tone1 = now.tone[1] * y - now.tone[3] * out + st.tone2
    st.tone2 = now.tone[2] * y - now.tone[4] * out
    return out


@kernel
def _synthesise(p: Record, st: Record, shifted: float) -> float:
    """Replace the shifted string by the synthesised tone once the pitch is known."""
    known = st.synth_known if p.voice == SYNTH else 0
    st.synth_mix += p.smoothing * (known - st.synth_mix)
    if p.voice != SYNTH and st.synth_mix < INAUDIBLE:
        st.synth_mix = 0.0
    st.synth_amplitude += p.smoothing * (st.synth_level - st.synth_amplitude)
    st.synth_phase += st.synth_increment
    if st.synth_phase > math.pi:
        st.synth_phase -= 2.0 * math.pi
    return (1.0 - st.synth_mix) * shifted + st.synth_mix * st.synth_amplitude * tone(st.synth_phase)
