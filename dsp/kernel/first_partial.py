"""The first partial of one string, which is what a player calls its pitch.

A stiff string's partials lie a little wide of a harmonic series (Fletcher 1964), so its wave never quite repeats
itself, and the period at which it repeats best reads a few cents sharp of the first partial. The period is known
early; here its error is found as the note settles. The string is turned down by its own pitch, which makes the first
partial stand still, and low-passed until the others are gone; what turns on is the difference (a phase vocoder's
channel: Flanagan and Golden, "Phase vocoder", Bell Syst. Tech. J. 45, 1966). The period, smoothed the same way, is
compared with it; their ratio, the *sharpness*, hardly depends on bends and vibrato, nor much on the fret, so the next
note on the string begins with it.
"""

import math

from thumbline.dsp.compilation import kernel
from thumbline.dsp.memory.record_type import Record
from thumbline.dsp.memory.records import HOP

#: Cut-off of each low-pass stage, as a share of the pitch.
CUTOFF = 0.2
STAGES = 4  # as in the record
#: Periods until the low-pass has settled.
SETTLE_PERIODS = 4.5
#: Greatest sharpness that is believed, in octaves: that of a stiff string's period.
MOST_SHARP = 30.0 / 1200.0
#: Greatest flatness that is believed, in octaves: nothing but rounding.
MOST_FLAT = 5.0 / 1200.0
#: The partial must carry this share of the power to be heard.
LEAST_SHARE = 0.01
#: A bend beyond this starts the measurement anew, in octaves.
RETUNE = 30.0 / 1200.0
#: Hops from one look at the partial to the next.
LOOK_HOPS = 2
#: Looks over which the sharpness is averaged.
AVERAGE_LOOKS = 30.0
#: Prior: an unknown string starts as perfectly flexible, with this many virtual looks.
DOUBTED_LOOKS = 8.0


@kernel
def aim(string: Record) -> None:
    """Start to follow the first partial at the string's period."""
    turn = 2.0 * math.pi / string.period
    string.aimed_period = string.period
    string.aim_cos = math.cos(turn)
    string.aim_sin = math.sin(turn)
    string.turn_cos = 1.0
    string.turn_sin = 0.0
    string.aimed_ticks = 0
    for stage in range(STAGES):
        string.partial_re[stage] = 0.0
        string.partial_im[stage] = 0.0
        string.smooth_period[stage] = math.log2(string.period)


@kernel
def follow_partial(string: Record, x: float) -> None:
    """Every tick of a sounding string, with its analysis sample: turn it down and smooth it."""
    cosine = string.turn_cos * string.aim_cos - string.turn_sin * string.aim_sin
    sine = string.turn_cos * string.aim_sin + string.turn_sin * string.aim_cos
    string.turn_cos, string.turn_sin = cosine, sine
    share = 2.0 * math.pi * CUTOFF / string.aimed_period
    re = x * cosine
    im = -x * sine
    for stage in range(STAGES):
        string.partial_re[stage] += share * (re - string.partial_re[stage])
        string.partial_im[stage] += share * (im - string.partial_im[stage])
        re = string.partial_re[stage]
        im = string.partial_im[stage]
    string.aimed_ticks += 1


@kernel
def measure_sharpness(string: Record, level: float) -> None:
    """Every ``LOOK_HOPS`` hops of a string that sounds with power ``level``: compare the partial with the period."""
    octave = math.log2(string.period)
    if abs(octave - math.log2(string.aimed_period)) > RETUNE:
        aim(string)
    share = 1.0 - math.exp(-LOOK_HOPS * HOP * 2.0 * math.pi * CUTOFF / string.aimed_period)
    for stage in range(STAGES):
        string.smooth_period[stage] += share * (octave - string.smooth_period[stage])
        octave = string.smooth_period[stage]
    length = 1.5 - 0.5 * (string.turn_cos * string.turn_cos + string.turn_sin * string.turn_sin)
    string.turn_cos *= length
    string.turn_sin *= length
    re, im = string.partial_re[STAGES - 1], string.partial_im[STAGES - 1]
    angle = math.atan2(im, re)
    turned = angle - string.partial_angle
    string.partial_angle = angle
    if (
        string.aimed_ticks < SETTLE_PERIODS * string.period + LOOK_HOPS * HOP
        or 2.0 * (re * re + im * im) < LEAST_SHARE * level
    ):
        return
    turned -= 2.0 * math.pi * math.floor(turned / (2.0 * math.pi) + 0.5)
    cycles = 1.0 / string.aimed_period + turned / (2.0 * math.pi * LOOK_HOPS * HOP)  # a tick
    if cycles <= 0.0:
        return
    sharp = -(math.log2(cycles) + string.smooth_period[STAGES - 1])
    if -2.0 * MOST_FLAT < sharp < 2.0 * MOST_SHARP:
        string.sharpness_looks = min(string.sharpness_looks + 1.0, AVERAGE_LOOKS)
        string.sharpness += (min(max(sharp, -MOST_FLAT), MOST_SHARP) - string.sharpness) / min(
            string.sharpness_looks + DOUBTED_LOOKS, AVERAGE_LOOKS
        )


@kernel
def partial_period(string: Record) -> float:
    """Period of the first partial, in ticks; 0 while the pitch is unknown."""
    return string.period * 2.0**string.sharpness
