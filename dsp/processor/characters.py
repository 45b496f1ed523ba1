"""Characters of the bass: how its tone stage (`thumbline.dsp.kernel.tone_stage`) is set.

The figures are those that come nearest to sampled fingered and picked basses (FluidR3 GM sound font, MIT licence,
programs 34 and 35) playing the bass lines of ten takes, in third octaves of 40 Hz to 2.5 kHz: "round" to the fingered
one, "picked" to the picked one, "fingered" to the mean of both. They model no instrument. Each is as loud as the raw
voice, in the median of the takes (BS.1770).
"""

import math
from typing import NamedTuple

import numpy as np

from thumbline.dsp.decibels import amplitude_of, power_of
from thumbline.dsp.kernel.tone_stage import THRESHOLD_DB
from thumbline.dsp.memory.record_type import Record
from thumbline.dsp.memory.records import ANALYSIS_STEP
from thumbline.dsp.memory.voice_records import AMOUNT, BIAS, CHARACTERS, DRIVE, MIX, ROLL_OFF, SHELF, TIMBRE
from thumbline.dsp.processor.filters import butterworth, high_shelf


class Character(NamedTuple):
    """How the tone stage is set."""

    drive: float  #: how far the curve is driven, times full bend
    bias: float  #: how far the curve lies off its middle: even partials
    amount: float  #: of the new partials
    shelf_hz: float  #: middle of the shelf
    shelf_db: float  #: what it leaves of the voice far above
    roll_off_hz: float


SETTINGS = {
    "round": Character(3.0, 0.25, 0.89, 570.0, -26.0, 2000.0),
    "fingered": Character(5.0, 0.3, 1.1, 590.0, -20.0, 3500.0),
    "picked": Character(5.0, 0.3, 2.65, 670.0, -20.0, 3500.0),
}

#: What the shelf and compression take of the loudness, and is given back.
LEVEL_DB = 4.0
#: New partials are made of what is below, and kept above, in Hz.
LOW_HZ = 350.0
HIGH_HZ = 500.0
#: Times in which the level that drives the curve rises and falls, and compression comes and goes, in seconds.
RISE_S = 0.004
FALL_S = 0.08
COMPRESS_S = 0.03
RECOVER_S = 0.2
#: Filters stay below this share of the rate.
HIGHEST_SHARE = 0.45


def compile_characters(p: Record, name: str, carried: np.ndarray) -> None:
    """Write what the tone stage needs into a ``PARAMS`` record that knows its rates and typical levels.

    ``name`` is the character of the setting. Compression goes by the mean of the typical levels of the strings that may
    be bass; ``carried`` has their indices.
    """
    for each, setting in SETTINGS.items():
        p["timbres"][CHARACTERS.index(each)] = _timbre(setting, p["rate"])
    p["timbre"] = p["timbres"][CHARACTERS.index(name)]
    for field, hz in (("stage_low", LOW_HZ), ("stage_high", HIGH_HZ)):
        p[field] = 1.0 - math.exp(-2.0 * math.pi * hz / p["tick_rate"])
    for field, seconds in (
        ("stage_rise", RISE_S),
        ("stage_fall", FALL_S),
        ("stage_compress", COMPRESS_S),
        ("stage_recover", RECOVER_S),
    ):
        p[field] = 1.0 - math.exp(-1.0 / (seconds * p["tick_rate"]))
    typical = float(np.mean(p["typical_power"][carried])) * ANALYSIS_STEP**2
    p["stage_threshold"] = power_of(THRESHOLD_DB) * typical


def _timbre(each: Character, rate: float) -> np.ndarray:
    timbre = np.zeros(TIMBRE)
    timbre[MIX], timbre[DRIVE], timbre[BIAS], timbre[AMOUNT] = 1.0, each.drive, each.bias, each.amount
    timbre[SHELF : SHELF + 5] = high_shelf(each.shelf_hz, each.shelf_db, rate)
    timbre[ROLL_OFF : ROLL_OFF + 5] = butterworth("lowpass", min(each.roll_off_hz, HIGHEST_SHARE * rate), rate)
    timbre[ROLL_OFF : ROLL_OFF + 3] *= amplitude_of(LEVEL_DB)
    return timbre
