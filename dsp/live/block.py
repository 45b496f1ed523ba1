"""One block of live sound: from the interface's channels through the processor to the interface's outputs."""

import math

import numpy as np

from thumbline.dsp.compilation import kernel
from thumbline.dsp.kernel.controls import change_setting
from thumbline.dsp.kernel.limiter import limited_gain
from thumbline.dsp.kernel.process import process
from thumbline.dsp.live.alike import compare_channels
from thumbline.dsp.live.arrival import note_arrival
from thumbline.dsp.live.record import BINS, CHUNK, SETTINGS
from thumbline.dsp.live.tape import keep, mark, wind_on
from thumbline.dsp.memory.record_type import Record
from thumbline.dsp.memory.records import OUTPUTS

#: The ramp of the outputs when they are let sound and when they are silenced, in seconds.
RISE_S, FALL_S = 0.25, 0.02
#: The bass is silent at this level and below, in dB.
SILENT_DB = -60.0
#: Peaks that are shown fall this fast, in dB per second.
PEAK_FALL_DB_S = 20.0


@kernel
def serve(live: Record, frames_in: np.ndarray, frames_out: np.ndarray) -> None:
    """Pass one block through the setting in force; what the player asks is heard from its first frame on.

    Parameters
    ----------
    live
        Record of dtype ``LIVE``.
    frames_in
        float32 (n, channels), full scale 1: the interface's inputs.
    frames_out
        float32 (n, outputs), overwritten: the interface's outputs.

    With one setting, the sound on and each part on an output of its own at 0 dB, the outputs are those of the
    processor, rounded to 32 bits. Nothing is allocated.
    """
    engine, st = live.engine, live.state
    wanted, before = live.request.setting, engine.setting
    if wanted != engine.setting and 0 <= wanted < min(live.setting_count, SETTINGS):
        change_setting(live.params[engine.setting], live.params[wanted], st)
        engine.setting = wanted
    p = live.params[engine.setting]
    _apply_request(live.request, st.controls)
    if live.tape.length > 0:
        mark(live.tape, st, before, engine.setting, engine.frames == 0)
    n = frames_in.shape[0]
    for first in range(0, n, CHUNK):
        count = min(CHUNK, n - first)
        for i in range(count):
            for j in range(frames_in.shape[1]):
                live.chunk_in[i, j] = frames_in[first + i, j]
        process(p, st, live.chunk_in[:count], live.chunk_out[:count])
        if live.tape.length > 0:
            keep(live.tape, first, live.chunk_in, live.chunk_out, count)
        _route(live, p, live.chunk_out[:count], frames_out[first : first + count])
    _update_meters(live, p, frames_in)


@kernel
def _apply_request(request: Record, controls: Record) -> None:
    """Put the player's wishes into the kernel's units; what makes no sense changes nothing."""
    controls.split = 1 if request.split != 0 else 0
    controls.hold = 1 if request.hold != 0 else 0
    db = request.bass_level_db
    if not math.isnan(db):
        controls.level = 10.0 ** (min(db, 12.0) / 20.0) if db > SILENT_DB else 0.0
    tone = request.tone_hz
    if not math.isnan(tone):
        controls.tone_hz = min(max(tone, 80.0), 20000.0) if tone > 0.0 else 0.0
    interval = request.interval
    controls.character = request.character
    controls.ratio = 0.0 if math.isnan(interval) else 2.0 ** (min(max(interval, -24.0), 0.0) / 12.0)


@kernel
def _route(live: Record, p: Record, mixed: np.ndarray, frames_out: np.ndarray) -> None:
    """Send bass, left and right to the outputs, under the ceiling there too: an output may carry several of them."""
    engine = live.engine
    routing = live.setup.routing
    rise, fall = 1.0 / (RISE_S * p.rate), 1.0 / (FALL_S * p.rate)
    audible = live.request.sound_on == 1 and live.request.tuner == 0 and live.request.stop == 0
    for i in range(mixed.shape[0]):
        sound = engine.sound + (rise if audible else -fall)
        sound = min(max(sound, 0.0), 1.0)
        engine.sound = sound
        ceiling = live.state.now.ceiling
        for o in range(frames_out.shape[1]):
            y = 0.0
            for column in range(OUTPUTS):
                y += routing[column, o] * mixed[i, column]
            gain = limited_gain(engine.output_limiter[o], abs(y), p.limiter_release, ceiling)
            engine.output_limiter[o] = gain
            # A curve with a soft beginning, so that the ear meets no sudden loudness.
            frames_out[i, o] = sound * sound * min(max(y * gain, -ceiling), ceiling)


@kernel
def _update_meters(live: Record, p: Record, frames_in: np.ndarray) -> None:
    """Note what the console shows: peaks and what the limiters take away."""
    engine, st = live.engine, live.state
    n = frames_in.shape[0]
    fall = 10.0 ** (-PEAK_FALL_DB_S / 20.0 * n / p.rate)
    for s in range(p.strings):
        peak = engine.input_peak[s] * fall
        for i in range(n):
            x = abs(frames_in[i, p.channel[s]])
            if x > peak:  # not NaN
                peak = x
        engine.input_peak[s] = peak
    compare_channels(engine, p, frames_in)
    least = min(st.limiter_gain[0], st.limiter_gain[1])
    for o in range(live.setup.outputs):
        least = min(least, engine.output_limiter[o])
    engine.limiter_db = 20.0 * math.log10(max(least, 1e-6))
    last = live.chunk_out
    for column in range(OUTPUTS):
        peak = engine.output_peak[column] * fall
        for i in range(min(n, CHUNK)):
            peak = max(peak, abs(last[i, column]))
        engine.output_peak[column] = peak


@kernel
def count_block(live: Record, frames: int, begun_ns: int, ended_ns: int, trouble: bool) -> None:
    """Note when a block came, how long its work took, and whether the device lost sound before it."""
    engine = live.engine
    work = ended_ns - begun_ns
    if engine.first_block_ns == 0:
        engine.first_block_ns = begun_ns
    note_arrival(engine, frames, begun_ns)
    engine.block_at_ns = begun_ns
    engine.frames += frames
    engine.blocks += 1
    engine.block_frames = frames
    engine.work_ns = work
    engine.work_worst_ns = max(engine.work_worst_ns, work)
    place = int(4.0 * math.log2(max(work, 1) / 1000.0))
    engine.work_bins[min(max(place, 0), BINS - 1)] += 1
    if work * engine.rate > frames * 1e9:
        engine.late += 1
    if trouble:
        engine.missed += 1
    engine.events = live.state.events_written
    if live.tape.length > 0:
        wind_on(live.tape, frames)
