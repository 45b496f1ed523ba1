"""Compile a rig for a sample rate: the only step between settings in human units and the kernel's parameters."""

import math
from collections.abc import Sequence

import numpy as np

from thumbline.dsp.decibels import amplitude_of
from thumbline.dsp.errors import InputError
from thumbline.dsp.memory.record_type import Record
from thumbline.dsp.memory.records import (
    ANALYSIS_STEP,
    FADE,
    FASTEST_FADE_DB_S,
    HARMONICS,
    HISTORY,
    HOP,
    HOPS,
    LAGS,
    LAST_PLUCKED,
    LOWEST_PITCH,
    LOWEST_STRING,
    NEXT_STRING,
    PARAMS,
    SHIFTED,
    SHORTEST_WINDOW_S,
    SQUARES,
    STOP,
    SYNTH,
    TAPS,
    WINDOW_PERIODS,
)
from thumbline.dsp.note_names import midi_to_hz
from thumbline.dsp.processor.characters import compile_characters
from thumbline.dsp.processor.filters import butterworth, low_pass
from thumbline.dsp.rig.model import Rig
from thumbline.dsp.rig.set_file import require_one_guitar
from thumbline.dsp.sample_rates import HIGHEST_RATE, LOWEST_RATE

#: The analysis signal's aim, in ticks per second.
TICK_RATE = 12000.0
#: A string may be tuned this much lower than the rig says (or be pressed down by a lever), in semitones.
BELOW_OPEN = 1.5
#: And be bent this much above the last fret.
ABOVE_LAST_FRET = 2.0

#: Levels that the rig leaves open ("auto") and nobody has measured, in dBFS.
UNMEASURED_LEVEL_DB = -25.0
UNMEASURED_ON_DB = -45.0
UNMEASURED_OFF_DB = -62.0

#: A pluck this far below a note's typical level may still be the pick that touches the string, in dB ...
STRONG_DB = -21.0
#: ... and waits for this long, in seconds.
FAINT_S = 0.005
#: What bleed removal may leave behind of a louder string, in dB.
GUARD_DB = -32.0
#: Window of the quick level that finds plucks, in seconds.
SHORT_S = 0.001
#: A channel that gives exactly the same value for so long is stuck or dead, in seconds: the longest that a wave which
#: clips stays at full scale is half a period of hum, 10 ms.
STILL_S = 0.03
#: Time between pitch reports, in seconds.
REPORT_S = 0.0085
#: Width of the notches that mains removal makes while a string is silent, in Hz.
HUM_HZ = 1.0
#: Their greatest width at the start, in Hz.
HUM_FIRST_HZ = 20.0
#: Age of the sound that mains removal learns from, in seconds.
HUM_DELAY_S = 0.006
#: How long nothing counts as a pluck at the start, in seconds.
HUM_FIRST_S = 0.05
#: Mains periods over which remaining hum is measured ...
HUM_PERIODS = 5
#: ... and at the start.
HUM_FIRST_PERIODS = 2
#: How far behind the bass may read, in periods of the lowest string.
READ_PERIODS = 3.0
DC_HZ = 15.0
ATTACK_S = 0.0002
#: Longest part of an attack before the decision that is still heard, in seconds.
LONGEST_LEAD_S = 0.001
#: How soon an attack slows to the interval, in seconds.
SLOWING_S = 0.003
SMOOTHING_S = 0.005
LIMITER_RELEASE_S = 0.08
#: A fade lasts until the sound is this much softer, in dB: that of a reverberation time (ISO 3382-1).
FADE_DB = 60.0

RULES = {
    "lowest string": LOWEST_STRING,
    "lowest pitch": LOWEST_PITCH,
    "last plucked": LAST_PLUCKED,
}
VOICES = {"shifted": SHIFTED, "synth": SYNTH}
RESTS = {"stop": STOP, "fade": FADE, "next string": NEXT_STRING}


def compile_parameters(rig: Rig, rate: int) -> np.ndarray:
    """Return an array of one ``PARAMS`` record.

    Raises InputError for a rate outside 22,050 to 192,000, or a string too low to be tracked (below A0).
    """
    if not LOWEST_RATE <= rate <= HIGHEST_RATE:
        raise InputError(f"sample rate is {rate} Hz; accepted: {LOWEST_RATE} to {HIGHEST_RATE}")
    params = np.zeros(1, PARAMS)
    p = params[0]
    p["rate"] = rate
    p["strings"] = rig.string_count
    p["decimation"] = max(1, round(rate / TICK_RATE))
    p["tick_rate"] = rate / p["decimation"]
    _conditioning(p, rig)
    _analysis(p, rig)
    _choice(p, rig)
    _sound(p, rig)
    return params


def _power(db: np.ndarray) -> np.ndarray:
    """Level in dBFS as mean square in analysis steps."""
    return 10.0 ** (db / 10.0) / ANALYSIS_STEP**2


def _per_string(setting: str | tuple[float, ...], unmeasured: float, n: int) -> np.ndarray:
    return np.full(n, unmeasured) if isinstance(setting, str) else np.asarray(setting, float)


def _conditioning(p: Record, rig: Rig) -> None:
    n, rate = rig.string_count, p["rate"]
    p["channel"][:n] = np.asarray(rig.input.channels) - 1
    p["gain"][:n] = amplitude_of(np.asarray(rig.input.trim_db))
    for number in rig.input.invert:
        p["gain"][number - 1] *= -1.0
    bleed = np.eye(n) if isinstance(rig.bleed.matrix, str) else np.asarray(rig.bleed.matrix, float)
    p["unbleed"][:n, :n] = np.linalg.inv(bleed).T
    p["dc_pole"] = math.exp(-2.0 * math.pi * DC_HZ / rate)
    mains = rig.input.mains_hz
    if not isinstance(mains, str):
        p["hum_harmonics"] = HARMONICS
        turn = 2.0 * math.pi * mains / rate * np.arange(1, HARMONICS + 1)
        p["hum_cos"], p["hum_sin"] = np.cos(turn), np.sin(turn)
        p["hum_step"] = 2.0 * math.pi * HUM_HZ * HOP / p["tick_rate"]
        p["hum_first_step"] = 2.0 * math.pi * HUM_FIRST_HZ * HOP / p["tick_rate"]
        p["hum_delay"] = round(HUM_DELAY_S * rate)
        p["hum_back_cos"], p["hum_back_sin"] = np.cos(turn * p["hum_delay"]), np.sin(turn * p["hum_delay"])
        p["hum_ticks"] = HOP * round(HUM_FIRST_S * p["tick_rate"] / HOP)
        p["hum_window"] = round(HUM_PERIODS / mains * p["tick_rate"] / HOP)
        p["hum_period"] = round(p["tick_rate"] / mains / HOP)
        p["hum_first_window"] = round(HUM_FIRST_PERIODS / mains * p["tick_rate"] / HOP)


def _analysis(p: Record, rig: Rig) -> None:
    n, tick_rate, decimation = rig.string_count, p["tick_rate"], int(p["decimation"])
    taps = 6 * decimation + 1 if decimation > 1 else 1
    assert taps <= TAPS
    p["taps"] = taps
    p["fir_mask"] = 2 ** math.ceil(math.log2(taps)) - 1
    p["fir"][:taps] = low_pass(taps, 0.36 * tick_rate, p["rate"], 4.5)
    open_hz = np.asarray(midi_to_hz(rig.open_midi, rig.instrument.a4_hz))
    frets = rig.instrument.frets - rig.instrument.capo
    for s in range(n):
        p["highpass"][:, s] = butterworth("highpass", 0.45 * open_hz[s], tick_rate)
    lag_max = np.ceil(tick_rate / (open_hz * 2.0 ** (-BELOW_OPEN / 12.0)))
    if lag_max.max() > LAGS - 8:
        low = int(np.argmax(lag_max))
        raise InputError(
            f"instrument.strings[{low}] is {rig.instrument.strings[low]} ({open_hz[low]:.1f} Hz); "
            f"accepted: strings of {tick_rate / (LAGS - 8) * 2 ** (BELOW_OPEN / 12):.1f} Hz or higher"
        )
    p["lag_max"][:n] = lag_max
    # Rings just long enough: a plucked string's window, but for the longest it may reach back; and what the bass reads.
    window_hops = np.maximum(WINDOW_PERIODS * lag_max, SHORTEST_WINDOW_S * tick_rate) / HOP + 2
    p["hop_mask"][:n] = np.minimum(2 ** np.ceil(np.log2(window_hops)), HOPS) - 1
    reach = READ_PERIODS * lag_max.max() * decimation
    p["past_mask"] = min(2 ** math.ceil(math.log2(reach)), HISTORY) - 1
    highest = open_hz * 2.0 ** ((frets + ABOVE_LAST_FRET) / 12.0)
    p["lag_min"][:n] = np.maximum(2, np.floor(tick_rate / highest))
    p["open_period"][:n] = tick_rate / open_hz
    p["on_power"][:n] = _power(_per_string(rig.detect.on_db, UNMEASURED_ON_DB, n))
    p["hum_below"] = p["on_power"]
    p["off_power"][:n] = _power(_per_string(rig.detect.off_db, UNMEASURED_OFF_DB, n))
    p["typical_power"][:n] = _power(_per_string(rig.detect.level_db, UNMEASURED_LEVEL_DB, n))
    p["strong_power"][:n] = p["typical_power"][:n] * 10.0 ** (0.1 * STRONG_DB)
    p["guard"] = 10.0 ** (GUARD_DB / 10.0)
    p["short_ticks"] = round(SHORT_S * tick_rate)
    p["still_ticks"] = round(STILL_S * tick_rate)
    assert p["short_ticks"] < SQUARES
    p["fastest_fade"] = 10.0 ** (-0.1 * FASTEST_FADE_DB_S * HOP / tick_rate)
    p["patience"] = rig.detect.strictness
    p["proof_ticks"] = round(1e-3 * rig.choice.proof_ms * p["tick_rate"])
    p["faint_ticks"] = round(FAINT_S * p["tick_rate"])
    p["report_hops"] = max(1, math.floor(REPORT_S * tick_rate / HOP))


def _choice(p: Record, rig: Rig) -> None:
    p["rule"] = RULES[rig.choice.rule]
    for number in rig.bass_strings:
        p["carries"][number - 1] = 1
    # Half a semitone more: the highest note itself may be bass, in whatever tuning.
    p["highest_hz"] = midi_to_hz(rig.highest_bass_midi + 0.5, rig.instrument.a4_hz)
    p["rest"] = RESTS[rig.choice.rest]
    p["settle_ticks"] = round(1e-3 * rig.choice.settle_ms * p["tick_rate"])
    p["hold_ticks"] = round(1e-3 * rig.choice.shortest_ms * p["tick_rate"])


def _sound(p: Record, rig: Rig) -> None:
    n, rate = rig.string_count, p["rate"]
    p["voice"] = VOICES[rig.bass.voice]
    p["ratio"] = 2.0 ** (rig.bass.interval / 12.0)
    p["bass_gain"] = amplitude_of(rig.bass.level_db)
    p["dynamics"] = rig.bass.dynamics
    tone_hz = rig.bass.tone_hz
    if tone_hz < 0.45 * rate:
        p["tone"] = butterworth("lowpass", tone_hz, rate)
    else:
        p["tone"][0] = 1.0
    p["fade_step"] = 1e3 / (rig.bass.crossfade_ms * rate)
    if rig.choice.rest == "fade":
        p["rest_fade"] = 10.0 ** (-0.1 * FADE_DB * HOP / (1e-3 * rig.bass.fade_ms * p["tick_rate"]))
    p["attack_step"] = max(p["fade_step"], 1.0 / (ATTACK_S * rate))
    if rig.bass.linger_ms > 0.0:
        p["linger_step"] = 1e3 / (rig.bass.linger_ms * rate)
    p["longest_lead"] = LONGEST_LEAD_S * rate
    p["slowing"] = 1.0 - math.exp(-1.0 / (SLOWING_S * rate))
    p["smoothing"] = 1.0 - math.exp(-1.0 / (SMOOTHING_S * rate))
    compile_characters(p, rig.bass.character, np.array(rig.bass_strings) - 1)
    p["all_strings"] = rig.guitar.strings == "all"
    gain = amplitude_of(rig.guitar.level_db)
    # Constant power, unity in the middle of a mono guitar (common practice, no source).
    angle = (np.asarray(rig.guitar.pan) + 1.0) * math.pi / 4.0
    sides = np.column_stack([np.cos(angle), np.sin(angle)]) if rig.guitar.stereo else np.ones((n, 2))
    p["pan"][:n] = gain * sides
    p["ceiling"] = amplitude_of(rig.output.ceiling_db)
    p["limiter_release"] = 1.0 - math.exp(-1.0 / (LIMITER_RELEASE_S * rate))


#: Keys of the guitar, its pickup and the interface, which no song changes.
SHARED = ("input.channels", "input.trim_db", "input.invert", "input.mains_hz", "bleed.matrix")


def compile_settings(settings: Sequence[tuple[str, Rig]], rate: int) -> np.ndarray:
    """Compile named rigs; return an array of as many ``PARAMS`` records, in order.

    The kernel can pass from any of them to any other in the midst of sound: they have the same strings and share what
    belongs to the guitar, and the past of the sound is kept in the same way. Compiled alone, each gives the same sound.

    Raises InputError if a setting differs from the first in what must be shared, or cannot be compiled.
    """
    require_one_guitar(settings, SHARED)
    params = np.concatenate([compile_parameters(rig, rate) for _, rig in settings])
    for name in ("past_mask", "hop_mask"):
        params[name] = params[name].max(axis=0)
    return params
