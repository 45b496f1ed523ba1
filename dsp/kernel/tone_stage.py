"""A bass that sounds like one: the tone stage after the voice.

The upper partials of a guitar string are strong in the attack and die far sooner than those of a bass, so a voice that
is only shifted is sharp at first and dull while it rings. A shelf and a low-pass take the guitar's brightness from the
attack; a soft curve, driven as far at any level, makes new partials from the low ones, which last as long as the note;
slow compression evens out what rings; a string that is let go leaves a little noise.

What sounds directly is not delayed. New partials are made once per tick, where they cost a quarter, and are held until
the next: they come less than 0.2 ms later, and the low-pass takes the steps away.
"""

import math

import numpy as np

from thumbline.dsp.compilation import kernel
from thumbline.dsp.memory.record_type import Record
from thumbline.dsp.memory.records import ANALYSIS_STEP, HOP
from thumbline.dsp.memory.voice_records import AMOUNT, BIAS, DRIVE, MIX, ROLL_OFF, SHELF, TIMBRE

#: Compression, 3:1, begins so far below a note's typical level, and gives it back there.
THRESHOLD_DB = -12.0
RATIO = 3.0
MAKEUP = 10.0 ** (-THRESHOLD_DB * (1.0 - 1.0 / RATIO) / 20.0)
#: Level of the noise of a string that is let go, as a share of its low partials', and how much of it is left at the
#: next tick (estimates).
LET_GO = 0.02
NOISE_LEFT = 0.996
#: Keeps filters from running down into numbers that processors are slow with: 360 dB below full scale.
TINY = 1e-18


@kernel
def _wanted_gain(p: Record, st: Record) -> float:
    """What compression makes of the power that was measured."""
    gain = st.now.bass_gain
    over = max(st.stage.power / (p.stage_threshold * gain * gain + TINY), 1.0)
    return MAKEUP * over ** (-0.5 * (1.0 - 1.0 / RATIO))


@kernel
def _begin(p: Record, st: Record) -> None:
    """Let the stage begin in the midst of a note, as if it had heard how loud that is."""
    stage = st.stage
    stage.power = 0.0
    if st.bass >= 0:
        stage.power = st.level[st.bass] * (ANALYSIS_STEP * st.now.bass_gain) ** 2
    stage.gain = _wanted_gain(p, st)
    stage.amplitude = stage.gain * math.sqrt(2.0 * stage.power)
    stage.total = stage.even_total = stage.low1 = stage.low2 = 0.0
    stage.high1 = stage.high2 = stage.held = stage.noise = stage.gain_step = 0.0
    stage.shelf1 = stage.shelf2 = stage.roll1 = stage.roll2 = 0.0
    stage.bass = st.bass


@kernel
def choose_timbre(p: Record, st: Record) -> None:
    """When a ramp begins: aim at the timbre of the setting, or at the one that the player has chosen."""
    chosen = st.heard.character - 1
    if 0 <= chosen < len(p.timbres):
        _aim_at(p, st, p.timbres[chosen])
    else:
        _aim_at(p, st, p.timbre)


@kernel
def _aim_at(p: Record, st: Record, timbre: np.ndarray) -> None:
    aim, now = st.aim.timbre, st.now.timbre
    if timbre[MIX] == 0.0:  # the stage leaves as it sounds
        for k in range(TIMBRE):
            aim[k] = now[k]
        aim[MIX] = 0.0
        return
    for k in range(TIMBRE):
        aim[k] = timbre[k]
    if now[MIX] == 0.0:
        _begin(p, st)
        for k in range(TIMBRE):
            now[k] = timbre[k]
        now[MIX] = 0.0


@kernel
def make_partials(p: Record, st: Record) -> None:
    """Every tick: new partials from the low ones; every hop: the gain for the next one."""
    timbre, stage = st.now.timbre, st.stage
    if timbre[MIX] == 0.0:
        return
    share = 1.0 / p.decimation
    x = share * stage.total + TINY
    even = share * stage.even_total + TINY
    stage.total = stage.even_total = 0.0
    stage.low1 += p.stage_low * (even - stage.low1)
    stage.low2 += p.stage_low * (stage.low1 - stage.low2)
    low = stage.low2
    size = abs(low)
    stage.amplitude += (p.stage_rise if size > stage.amplitude else p.stage_fall) * (size - stage.amplitude)
    size = stage.amplitude
    # The curve v / (1 + |v|), at the size of what drives it.
    driven = timbre[DRIVE] * low + timbre[BIAS] * size
    bent = size * driven / (size + abs(driven) + TINY)
    if st.bass != stage.bass:
        if stage.bass >= 0:
            stage.noise = LET_GO * size
        stage.bass = st.bass
    if stage.noise > TINY:
        stage.seed = (1103515245 * stage.seed + 12345) & 0x7FFFFFFF
        bent += stage.noise * (stage.seed * (2.0 / 0x80000000) - 1.0)
        stage.noise *= NOISE_LEFT
    stage.high1 += p.stage_high * (bent - stage.high1)
    bent -= stage.high1
    stage.high2 += p.stage_high * (bent - stage.high2)
    stage.held = timbre[AMOUNT] * (bent - stage.high2)
    power = x * x
    stage.power += (p.stage_compress if power > stage.power else p.stage_recover) * (power - stage.power)
    if (st.tick + 1) % HOP == 0:
        stage.gain_step = (_wanted_gain(p, st) - stage.gain) / (HOP * p.decimation)


@kernel
def shape(st: Record, x: float) -> float:
    """Every frame: pass the voice through the stage; without one it comes out as it is, bit for bit."""
    timbre, stage = st.now.timbre, st.stage
    mix = timbre[MIX]
    if mix == 0.0:
        return x
    stage.gain += stage.gain_step
    even = stage.gain * x
    stage.total += x
    stage.even_total += even
    even += TINY
    y = timbre[SHELF] * even + stage.shelf1
    stage.shelf1 = timbre[SHELF + 1] * even - timbre[SHELF + 3] * y + stage.shelf2
    stage.shelf2 = timbre[SHELF + 2] * even - timbre[SHELF + 4] * y
    y += stage.held
    z = timbre[ROLL_OFF] * y + stage.roll1
    stage.roll1 = timbre[ROLL_OFF + 1] * y - timbre[ROLL_OFF + 3] * z + stage.roll2
    stage.roll2 = timbre[ROLL_OFF + 2] * y - timbre[ROLL_OFF + 4] * z
    return x + mix * (z - x)
