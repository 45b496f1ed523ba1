"""Short pieces that together make every kernel do all that it does, few enough frames for plain Python.

Each returns what came out, by name. The tones are sums of harmonics that die away: what matters here is that compiled
kernels and plain ones hear the same, not that a guitar sounds so.
"""

import tempfile
from collections.abc import Callable, Mapping
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from tests.material.short_take import RATE as SHORT_RATE
from tests.material.short_take import short_take
from thumbline.cli.console.make_memory import create
from thumbline.cli.console.routing import make_routing
from thumbline.dsp.kernel.bass_voice import _take_head, render_bass
from thumbline.dsp.kernel.first_partial import aim, measure_sharpness
from thumbline.dsp.kernel.offsets import end_note
from thumbline.dsp.kernel.period import pick_period, shape_change
from thumbline.dsp.kernel.pitch_tracking import track
from thumbline.dsp.live.block import count_block, serve
from thumbline.dsp.memory.records import SOUNDING, initial_state
from thumbline.dsp.memory.tick_ring import span_power
from thumbline.dsp.memory.voice_records import HEADS
from thumbline.dsp.processor.parameters import compile_parameters
from thumbline.dsp.processor.processor import Processor
from thumbline.dsp.rig.model import Rig
from thumbline.dsp.sound.stretch import Voice, _interpolator, stretch
from thumbline.dsp.sound.stretch_kernels import assemble
from thumbline.dsp.sound.true_peak import peaks_above, true_peak

RATE = 22_050
Frames = NDArray[np.float64]
Results = Mapping[str, np.ndarray]


def tone(seconds: float, hz: Frames | float, begin_s: float, stop_s: float, fade_s: float = 0.3) -> Frames:
    """Six harmonics of a tone that sounds from ``begin_s``, dies away in ``fade_s`` and is stopped at ``stop_s``."""
    time = np.arange(round(seconds * RATE)) / RATE
    since = time - begin_s
    phase = 2 * np.pi * np.cumsum(np.broadcast_to(hz, time.shape) * (since >= 0.0)) / RATE
    sound = sum(np.sin(k * phase) / k**1.5 for k in range(1, 7)) * np.exp(-np.maximum(since, 0.0) / fade_s)
    return np.asarray(0.2 * sound * np.minimum(1.0, np.exp((stop_s - time) / 0.004)) * (since >= 0.0))


def noise(seconds: float) -> Frames:
    """Six channels of hiss at -100 dBFS."""
    return 1e-5 * np.random.default_rng(1).standard_normal((round(seconds * RATE), 6))


def played(rig: Rig, frames: Frames, rate: int = RATE) -> Results:
    """Sound and events of ``frames``."""
    processor = Processor(rig, rate)
    out, events = processor.process(frames)
    return {"out": out, "events": np.concatenate([events, processor.finish()])}


def synth() -> Results:
    """Three plucks of model strings, each on a lower string than the one before, with two samples that are none."""
    frames = short_take()[round(1.74 * SHORT_RATE) : round(1.90 * SHORT_RATE)]
    frames[300:302, 1] = np.nan, np.inf
    settings = {
        "bass": {"voice": "synth", "dynamics": 0.5},
        "choice": {"rule": "last plucked", "shortest_ms": 20.0, "proof_ms": 4.0},
        "guitar": {"strings": "all", "stereo": True},
        "input": {"mains_hz": 50.0},
    }
    return played(Rig.model_validate(settings), frames, SHORT_RATE)


def hands() -> Results:
    """What hands do: a note is stopped, pulled off to another, plucked again while it rings, heard on two channels."""
    seconds = 0.3
    frames = noise(seconds)
    time = np.arange(len(frames)) / RATE
    frames[:, 4] += tone(seconds, 110.0, 0.02, 0.12)
    pulled_off = time >= 0.13
    frames[:, 2] += np.where(pulled_off, 0.2, 1.0) * tone(seconds, np.where(pulled_off, 246.9, 196.0), 0.02, 0.26)
    high = tone(seconds, 329.6, 0.03, 0.12) + 2.0 * tone(seconds, 329.6, 0.1203, 0.25)
    frames[:, 5] += tone(seconds, 185.0, 0.02, 1.0, 0.04) + tone(seconds, 185.0, 0.17, 0.22)
    frames[:, :2] += high[:, None] * [1.0, 0.8]
    frames[:, 3] += tone(seconds, 146.8, 0.03, 0.15) + 0.9 * tone(seconds, 147.5, 0.1495, 0.26)
    rig = {"choice": {"rule": "lowest pitch", "shortest_ms": 10.0}, "output": {"ceiling_db": -20.0}}
    return played(Rig.model_validate(rig), frames)


def knocks() -> Results:
    """What is no note: a thump, a touch before a pluck, a swell, a scrape, a knock that all strings hear."""
    seconds = 0.26
    frames = noise(seconds)
    frames[:, 5] += tone(seconds, 82.4, 0.02, 1.0, 0.006)
    frames[:, 1] += 0.03 * tone(seconds, 500.0, 0.03, 0.034) + tone(seconds, 247.0, 0.04, 1.0)
    scrape = slice(round(0.06 * RATE), round(0.17 * RATE))
    frames[scrape, 3] += 0.03 * np.random.default_rng(2).standard_normal(scrape.stop - scrape.start)
    frames[:, 3] += tone(seconds, 146.8, 0.13, 1.0)
    swells = np.clip(10.0 ** (4.0 * np.arange(len(frames)) / RATE / 0.1 - 4.0), 0.0, 1.0)
    frames[:, 0] += swells * tone(seconds, 330.0, 0.03, 0.17, 1.0)
    frames += 0.3 * tone(seconds, 180.0, 0.2, 1.0, 0.008)[:, None]
    return played(Rig.model_validate({"choice": {"strings": [4, 5, 6], "settle_ms": 2.0}}), frames)


def doubts() -> Results:
    """Notes that become something else: an octave, early and late; noise; and noise that becomes a note."""
    seconds = 0.24
    frames = noise(seconds)
    time = np.arange(len(frames)) / RATE
    for string, hz, turn_s in ((3, 220.0, 0.07), (5, 110.0, 0.15)):
        turned = time >= turn_s
        octave = tone(seconds, np.where(turned, 2.0 * hz, hz), 0.02, 1.0)
        frames[:, string - 1] += np.where(turned, 0.2, 1.0) * octave
    rng = np.random.default_rng(3)
    dies = tone(seconds, 196.0, 0.02, 1.0)
    frames[:, 3] += np.where(time < 0.13, dies, 0.1 * dies + 0.04 * rng.standard_normal(len(time)) * (time < 0.2))
    scraped = (time >= 0.02) & (time < 0.045)
    frames[:, 0] += np.where(scraped, 0.2 * np.exp(-(time - 0.02) / 0.03) * rng.standard_normal(len(time)), 0.0)
    frames[:, 0] += 0.5 * tone(seconds, 330.0, 0.045, 1.0, 1.0)
    frames[:, 1] += tone(seconds, 247.0, 0.025, 1.0)
    return played(Rig.model_validate({"choice": {"rule": "last plucked"}}), frames)


def basses() -> Results:
    """Long periods: a string that is plucked again before it has proved to sound, and one that is bent at once."""
    seconds = 0.2
    frames = noise(seconds)
    time = np.arange(len(frames)) / RATE
    frames[:, 5] += tone(seconds, 31.0, 0.02, 0.09) - tone(seconds, 31.0, 0.094, 1.0)
    frames[:, 4] += tone(seconds, 41.2 * 2.0 ** (np.clip(time - 0.09, 0.0, 0.06) / 0.06 / 4.0), 0.02, 1.0)
    frames[:, 4] += 0.1 * tone(seconds, 247.0, 0.13, 1.0)
    tuning = ["C3", "G2", "D2", "A1", "E1", "B0"]
    return played(Rig.model_validate({"instrument": {"strings": tuning}}), frames)


def measures() -> Results:
    """Small kernels by themselves, where sound seldom leads: empty spans, no peak, no head that is free, a multiple."""
    params = compile_parameters(Rig(), RATE)
    p, st = params[0], initial_state(params)[0]
    string = st.strings[0]
    rng = np.random.default_rng(4)
    string.ticks[:] = np.round(1000.0 * rng.standard_normal(len(string.ticks)))
    string.period = string.last_period = 40.5
    slope = np.array([1.0, 0.9, 0.95, 0.9, 0.88, 0.86, 0.84, 0.82, 0.8])
    numbers = [
        span_power(string, 5, 5),
        *pick_period(np.zeros(9), 2, 7, 8),
        *pick_period(slope, 2, 7, 8),
        shape_change(string, 3000, 20, 60, 2, -1.0, 100.0),
    ]
    string.last_period = 39.0
    numbers.append(shape_change(string, 3000, 20, 60, 2, -1e30, 100.0))
    aim(string)
    string.aimed_ticks, string.partial_re[:], string.partial_angle = 10_000, 1e6, 3.0
    string.aimed_period = 40.6
    measure_sharpness(string, 1.0)  # turned back by more than the pitch turns on
    string.partial_re[:], string.partial_im[:], string.partial_angle = -1e6, 1e5, 0.1
    measure_sharpness(string, 1.0)
    numbers += [float(string.sharpness), float(string.partial_angle)]
    string.phase = SOUNDING
    st.nsdf[40:42] = 0.95
    track(p, st, 0, 81.0, 1.0)  # a multiple of a period that holds as well
    numbers += [float(string.period)]
    end_note(p, st, 0, 100)
    for place in range(HEADS + 1):
        _take_head(st, 0, 10.0 + place, 1.0, 0.1)
    st.heads[st.lead].lag = p.past_mask  # what it would read next has been written over
    numbers += [render_bass(p, st), float(st.lead)]
    heads = st.heads
    return {
        "numbers": np.array(numbers),
        "events": np.array(st.events[: int(st.events_written)]),
        **{name: np.array([float(head[name]) for head in heads]) for name in ("lag", "gain", "step")},
    }


def decisions() -> Results:
    """Decisions alone, without sound."""
    frames = noise(0.1)
    frames[:, 5] += tone(0.1, 220.0, 0.01, 1.0)
    return {"events": Processor(Rig(), RATE).decide(frames)}


def stage() -> Results:
    """Blocks of a live stream in which everything is changed that a player may change."""
    seconds = 0.3
    frames = noise(seconds)
    frames[:, 5] += tone(seconds, 98.0, 0.01, 1.0)
    frames[:, 3] += tone(seconds, 220.0, 0.02, 1.0)
    tuned_down = {"instrument": {"strings": ["E4", "B3", "G3", "C3", "A2", "D2"]}, "bass": {"voice": "synth"}}
    rigs = [
        ("standard", Rig.model_validate({"output": {"ceiling_db": -20.0}})),
        ("down", Rig.model_validate(tuned_down)),
    ]
    changes: dict[int, dict[str, float]] = {
        30: {"hold": 1, "bass_level_db": -6.0},
        40: {"hold": 0, "tone_hz": 300.0},
        50: {"tone_hz": 20_000.0, "interval": -7.0},
        55: {"setting": 1},
        65: {"setting": 0, "bass_level_db": -60.0, "tone_hz": np.nan},
        90: {"split": 0},
        95: {"split": 1, "bass_level_db": np.nan},
        99: {"stop": 1},
    }
    block = 64
    out = np.zeros((len(frames) // block * block, 2), np.float32)
    with tempfile.TemporaryDirectory() as folder:
        live = create(
            Path(folder) / "memory", rigs, rate=RATE, block_frames=block, routing=make_routing([1], [1, 2], stereo=True)
        )
        live.engine.rate = RATE
        live.request.sound_on = 1
        for number, first in enumerate(range(0, len(out), block)):
            for name, value in changes.get(number, {}).items():
                setattr(live.request, name, value)
            part = slice(first, first + block)
            serve(live, frames[part].astype(np.float32), out[part])
            count_block(live, block, 1_000_000 * number, 1_000_000 * number + 100_000 * (number % 40), number == 7)
        kept = {name: np.array(live.engine[name]) for name in ("blocks", "frames", "late", "missed", "work_bins")}
        peaks = np.concatenate([live.engine.input_peak[:6], live.engine.output_peak])
        events = np.array(live.state.events[: int(live.state.events_written)])
        del live
    return {"out": out, "events": events, "peaks": peaks, **kept}


def rests() -> Results:
    """Notes that ring on after their end in both voices, another string that steps in, strings that linger."""
    seconds = 0.3
    frames = noise(seconds)
    frames[:, 5] += tone(seconds, 165.0, 0.01, 0.07)
    frames[:, 3] += tone(seconds, 330.0, 0.1, 0.17)
    frames[:, 5] += tone(seconds, 165.0, 0.14, 0.2)
    frames[:, 3] += tone(seconds, 294.0, 0.22, 0.28)
    bass = {"fade_ms": 20.0, "linger_ms": 20.0}
    settings = {
        "stays": Rig.model_validate({"choice": {"rest": "fade"}, "bass": {"linger_ms": 500.0, "fade_ms": 400.0}}),
        "shifted": Rig.model_validate({"choice": {"rest": "fade", "rule": "last plucked"}, "bass": bass}),
        "synth": Rig.model_validate({"choice": {"rest": "fade"}, "bass": {"voice": "synth"}}),
        "steps in": Rig.model_validate({"choice": {"rest": "next string", "strings": [4]}, "bass": bass}),
    }
    results = {name: played(rig, frames) for name, rig in settings.items()}
    return {f"{name}, {what}": result for name, both in results.items() for what, result in both.items()}


def stretched() -> Results:
    """A voice of three notes, the second too low and too short to jump in, at several speeds; and true peaks."""
    rate = 8_000
    time = np.arange(rate // 2) / rate
    hz = np.where((time >= 0.2) & (time < 0.3), 30.0, 220.3)
    sound = np.sin(2 * np.pi * np.cumsum(hz) / rate) * np.exp(-3.0 * (time % 0.25))
    onsets = np.array([0, round(0.2 * rate), round(0.3 * rate)], np.int64)
    known = np.arange(0, len(sound), 70)
    voice = Voice(sound.astype(np.float32), rate, onsets, known, hz[known])
    slow = stretch(voice, 1.4)
    almost_a_frame = np.zeros(50, np.float32)
    assemble(almost_a_frame, voice.sound, np.array([[0.0, 99.999, 1.0]]), _interpolator())
    return {
        "slow": slow,
        "slower": stretch(voice, 4.0, 3 * len(sound) // 2),  # cut before the last onset
        "fast": stretch(voice, 0.7),
        "almost": almost_a_frame,
        "peaks": peaks_above(slow[:1000, None], 0.5),
        "rare peaks": peaks_above(slow[:1000, None], 2.5),
        "peak": np.array(true_peak(slow[:500, None])),
    }


PIECES: dict[str, Callable[[], Results]] = {
    "synth": synth,
    "hands": hands,
    "rests": rests,
    "knocks": knocks,
    "doubts": doubts,
    "basses": basses,
    "measures": measures,
    "decisions": decisions,
    "stage": stage,
    "stretched": stretched,
}
