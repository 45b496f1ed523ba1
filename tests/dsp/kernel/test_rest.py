"""What is heard of the bass in a rest, and under the pluck of another string: levels over time, pitch, no clicks.

A fade of 60 dB is that of a reverberation time (ISO 3382-1); pitches are compared with the string model's.
"""

from collections.abc import Callable
from functools import partial

import numpy as np
import pytest

from thumbline.dsp.kernel.controls import change_setting
from thumbline.dsp.kernel.process import process
from thumbline.dsp.memory.events import HANDOVER
from thumbline.dsp.memory.records import BASS, OUTPUTS, initial_state
from thumbline.dsp.processor.parameters import compile_settings
from thumbline.dsp.processor.processor import Processor
from thumbline.dsp.rig.model import Rig
from thumbline.dsp.synthetic.string_model import Pluck, Signal, midi_to_hz

RATE = 48_000
STOP_S = 1.0
Play = Callable[..., Signal]


@pytest.fixture(scope="module")
def play(play: Play) -> Play:
    return partial(play, rate=RATE)


def rig(rest: str = "stop", **bass: object) -> Rig:
    return Rig.model_validate({"choice": {"rest": rest}, "bass": {"tone_hz": 20_000.0, **bass}})


def bass_of(frames: Signal, settings: Rig) -> tuple[Signal, np.ndarray]:
    out, events = Processor(settings, RATE).process(frames)
    return out[:, BASS], events


def level_db(sound: Signal, at_s: float, span_s: float = 0.05) -> float:
    """Level over a span around a moment, rms in dBFS."""
    first, last = round((at_s - span_s / 2) * RATE), round((at_s + span_s / 2) * RATE)
    return 10.0 * float(np.log10(np.mean(sound[first:last] ** 2) + 1e-30))


def jerk(sound: Signal) -> float:
    return float(np.abs(np.diff(sound, 2)).max())


@pytest.mark.parametrize("character", ["raw", "fingered"])
@pytest.mark.parametrize("voice", ["shifted", "synth"])
@pytest.mark.parametrize(("string", "midi", "fade_ms"), [(6, 40.0, 600.0), (5, 48.0, 1200.0), (4, 50.0, 300.0)])
def test_a_stopped_note_fades_at_its_pace_at_its_pitch_without_a_gap_or_a_click(
    play: Play, string: int, midi: float, fade_ms: float, voice: str, character: str
) -> None:
    frames = play({string: Pluck(0.1, midi, STOP_S)}, 2.4)
    fade, events = bass_of(frames, rig("fade", fade_ms=fade_ms, voice=voice, character=character))
    stop, same = bass_of(frames, rig("stop", voice=voice, character=character))
    np.testing.assert_array_equal(events, same)
    ends_s = float(events[events["kind"] == HANDOVER]["frame"][-1]) / RATE
    assert ends_s == pytest.approx(STOP_S, abs=0.02)

    before = level_db(stop, STOP_S - 0.05)
    assert level_db(stop, STOP_S + 0.12) < before - 60.0
    assert level_db(fade, STOP_S - 0.1) == pytest.approx(level_db(stop, STOP_S - 0.1), abs=0.2), "while it is played"
    span = np.arange(0.05, 0.5 * fade_ms / 1e3, 0.025)
    if character == "raw":  # compression makes a fade longer
        wanted = before - 60.0 * span / (fade_ms / 1e3)
        levels = [level_db(fade, STOP_S + at) for at in span]
        assert np.abs(levels - wanted).max() < 4.0
    gap = [level_db(fade, STOP_S + at, 1.5 / midi_to_hz(midi - 12.0)) for at in np.arange(0.0, 0.06, 0.005)]
    assert min(gap) > before - 13.0, "no hole between the string and the fade"
    assert max(gap) < before + 4.0
    assert level_db(fade, STOP_S + 1.1 * fade_ms / 1e3) < before - 45.0

    # No more of a click than where the same voice stops.
    assert jerk(fade[round((STOP_S - 0.02) * RATE) :]) < 1.2 * jerk(stop[round(0.3 * RATE) :])
    part = fade[round((STOP_S + 0.06) * RATE) :][: round(0.2 * RATE)]
    spectrum = np.abs(np.fft.rfft(part * np.hanning(len(part)), 1 << 18))
    low = np.fft.rfftfreq(1 << 18, 1 / RATE) < 1.5 * midi_to_hz(midi - 12.0)
    heard_hz = np.argmax(spectrum[low]) * RATE / (1 << 18)
    assert abs(1200 * np.log2(heard_hz / midi_to_hz(midi - 12.0))) < 12.0


def test_the_next_pluck_ends_the_fade_and_so_does_another_song(play: Play) -> None:
    frames = play({6: Pluck(0.1, 40.0, STOP_S), 5: Pluck(1.3, 45.0, 2.5)}, 2.0)
    fade, _ = bass_of(frames, rig("fade", fade_ms=5000.0))
    stop, _ = bass_of(frames, rig("stop"))
    assert level_db(fade, 1.27) > level_db(stop, 1.27) + 30.0
    assert level_db(fade - stop, 1.36) < -65.0

    params = compile_settings([("rings on", rig("fade", fade_ms=5000.0)), ("stops", rig("stop"))], RATE)
    state, out = initial_state(params), np.zeros((len(frames), OUTPUTS))
    half = round(1.15 * RATE)
    process(params[0], state[0], frames[:half], out[:half])
    change_setting(params[0], params[1], state[0])
    process(params[1], state[0], frames[half:], out[half:])
    assert level_db(out[:, BASS], 1.12) > -50.0
    assert level_db(out[:, BASS], 1.25) < -90.0


def test_the_split_ends_the_fade(play: Play) -> None:
    frames = play({6: Pluck(0.1, 40.0, STOP_S)}, 1.5)
    processor = Processor(rig("fade", fade_ms=5000.0), RATE)
    processor.process(frames[: round(1.2 * RATE)])
    processor.state[0]["controls"]["split"] = 0
    rest = processor.process(frames[round(1.2 * RATE) :])[0][:, BASS]
    assert level_db(rest, 0.1) < -90.0


@pytest.mark.parametrize("rest", ["fade", "next string"])
def test_blocks_of_any_length_give_the_same(play: Play, rest: str) -> None:
    frames = play({6: Pluck(0.1, 40.0, 0.4), 4: Pluck(0.3, 52.0, 0.8)}, 1.0)
    settings = rig(rest, linger_ms=60.0)
    whole = Processor(settings, RATE).process(frames)[0]
    processor = Processor(settings, RATE)
    parts = [processor.process(frames[first : first + 37])[0] for first in range(0, len(frames), 37)]
    np.testing.assert_array_equal(np.concatenate(parts), whole)


def test_a_string_that_rings_out_by_itself_is_left_alone(play: Play) -> None:
    frames = play({6: Pluck(0.1, 40.0, 9.0)}, 2.5)
    fade, stop = bass_of(frames, rig("fade", fade_ms=600.0))[0], bass_of(frames, rig("stop"))[0]
    np.testing.assert_array_equal(fade, stop)


@pytest.mark.parametrize("linger_ms", [40.0, 150.0, 400.0])
@pytest.mark.parametrize("interval", [0, -12])
def test_a_string_lingers_under_the_pluck_of_the_next_in_a_straight_line(
    play: Play, linger_ms: float, interval: int
) -> None:
    frames = play({5: Pluck(0.1, 45.0, 9.0), 6: Pluck(0.8, 40.0, 9.0)}, 1.6)
    cut, events = bass_of(frames, rig(interval=interval))
    tied, same = bass_of(frames, rig(interval=interval, linger_ms=linger_ms))
    np.testing.assert_array_equal(events, same)
    last = events[events["kind"] == HANDOVER][-1]
    assert last["string"] == 6
    passes = int(last["decided"]) - 1
    np.testing.assert_array_equal(tied[: passes - 64], cut[: passes - 64])
    lingers = tied - cut
    before = np.sqrt(np.mean(cut[passes - 4000 : passes - 400] ** 2))
    length = round(linger_ms * RATE / 1e3)
    for share in (0.25, 0.5, 0.75):
        at, turn = passes + round(share * length), round(RATE / midi_to_hz(45.0 + interval))
        rms = np.sqrt(np.mean(lingers[at - turn // 2 : at + turn // 2] ** 2))
        assert rms / before == pytest.approx(1.0 - share, abs=0.2), share
    assert np.abs(lingers[passes + length + 1000 :]).max(initial=0.0) < 1e-12
    assert jerk(lingers[passes + 100 :]) < 1.5 * jerk(cut[passes - 8000 : passes - 400])


def test_the_same_string_plucked_again_does_not_linger(play: Play) -> None:
    frames = play({6: Pluck(0.1, 40.0, 0.6)}, 1.4) + np.roll(
        play({6: Pluck(0.1, 42.0, 0.6)}, 1.4), round(0.5 * RATE), 0
    )
    np.testing.assert_array_equal(bass_of(frames, rig(linger_ms=300.0))[0], bass_of(frames, rig())[0])
