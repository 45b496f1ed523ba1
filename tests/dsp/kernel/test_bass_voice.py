"""The bass voice by ear's measures: its pitch, its attack, no clicks; and its settings.

Clicks are measured by the greatest second difference of the output (``jerk``): it weighs a partial by the square of its
frequency and shows a step of height h as h, so that a discontinuity stands out of a sound of low partials.
"""

from collections.abc import Callable
from functools import partial

import librosa
import numpy as np
import pytest
from scipy import signal

from thumbline.dsp.memory.events import HANDOVER
from thumbline.dsp.memory.records import BASS
from thumbline.dsp.processor.parameters import compile_parameters
from thumbline.dsp.processor.processor import Processor
from thumbline.dsp.rig.model import Rig
from thumbline.dsp.synthetic.demo_score import STRINGS
from thumbline.dsp.synthetic.string_model import Pluck, Signal, midi_to_hz

RATE = 44_100  # at which a tone of 20 kHz is no filter at all
START_S = 0.1
INTERVALS = (0, -5, -12, -24)
FLEXIBLE = [(6, 40.0), (5, 45.2), (4, 50.0), (3, 57.3), (1, 64.0)]
Play = Callable[..., Signal]


@pytest.fixture(scope="module")
def play(play: Callable[..., Signal]) -> Play:
    return partial(play, rate=RATE)


def bass_of(frames: Signal, **settings: object) -> tuple[Signal, np.ndarray]:
    """The bass and the events; the tone is open unless set."""
    rig = Rig.model_validate({"bass": {"tone_hz": 20_000.0, **settings}, "output": {"ceiling_db": 0.0}})
    out, events = Processor(rig, RATE).process(frames)
    return out[:, BASS], events


def first_partial(x: Signal, hz: float) -> tuple[float, float]:
    """Frequency and amplitude of the highest spectral peak within a semitone of ``hz`` (Hann window, parabola)."""
    window = np.hanning(len(x))
    size = 8 * len(x)
    freq, magnitude = np.fft.rfftfreq(size, 1 / RATE), np.abs(np.fft.rfft(x * window, size))
    inside = np.flatnonzero(np.abs(freq - hz) < 0.06 * hz)
    i = inside[np.argmax(magnitude[inside])]
    a, b, c = np.log(magnitude[i - 1 : i + 2])
    shift = 0.5 * (a - c) / (a - 2 * b + c)
    return float(freq[i] + shift * freq[1]), float(2 * np.exp(b - 0.25 * (a - c) * shift) / window.sum())


def yin_hz(x: Signal, near: float) -> float:
    """Median of librosa's YIN over the signal."""
    hz = librosa.yin(x, fmin=0.7 * near, fmax=1.4 * near, sr=RATE, frame_length=1 << int(np.log2(8 * RATE / near)))
    return float(np.median(hz))


def cents(a: float, b: float) -> float:
    return float(1200 * np.log2(a / b))


def steady(x: Signal) -> Signal:
    """One second, from 0.4 s after the pluck."""
    return x[round((START_S + 0.4) * RATE) : round((START_S + 1.4) * RATE)]


def jerk(x: Signal) -> float:
    return float(np.abs(np.diff(x, 2)).max())


def decibels(a: float, b: float) -> float:
    return float(20 * np.log10(a / b))


@pytest.mark.parametrize("interval", INTERVALS)
@pytest.mark.parametrize(("string", "midi"), FLEXIBLE)
def test_a_flexible_string_is_shifted_within_half_a_cent(play: Play, string: int, midi: float, interval: int) -> None:
    bass, _ = bass_of(play({string: Pluck(START_S, midi)}, 1.6), interval=interval)
    wanted = midi_to_hz(midi) * 2 ** (interval / 12)
    hz, _ = first_partial(steady(bass), wanted)
    assert abs(cents(hz, wanted)) < 0.5


@pytest.mark.parametrize("interval", INTERVALS)
@pytest.mark.parametrize(("string", "midi"), [(6, 40.0), (6, 52.0), (5, 45.2), (4, 50.0), (3, 57.3), (1, 64.0)])
def test_a_stiff_strings_partials_miss_the_interval_by_half_its_stretch_at_most(
    play: Play, string: int, midi: float, interval: int
) -> None:
    """The first partial to one side, the rest (which librosa's YIN follows) to the other.

    The stretch is how much sharper the string's period reads than its first partial. A jump that is off by a share of
    a period shifts the pitch by that share, once for each period that the head lags, so by 1 / ratio - 1 times as much.
    """
    # B = 1e-4 is that of a common low E or plain G string (thumbline.dsp.synthetic.demo_score).
    frames = play({string: Pluck(START_S, midi)}, 1.6, inharmonicity=1e-4)
    own, bass = steady(frames[:, string - 1]), steady(bass_of(frames, interval=interval)[0])
    ratio, hz = 2 ** (interval / 12), midi_to_hz(midi)
    own_first, own_period = first_partial(own, hz)[0], yin_hz(own, hz)
    stretch = cents(own_period, own_first)
    assert stretch > 2.0, "the string is stiff"
    allowed = 0.5 * stretch * (1 / ratio - 1) + 1.0
    assert -allowed < cents(first_partial(bass, hz * ratio)[0], own_first * ratio) < 1.0
    assert abs(cents(yin_hz(bass, hz * ratio), own_period * ratio)) < allowed


def test_a_wound_low_e_is_within_3_cents_an_octave_down(play: Play) -> None:
    string = STRINGS[6]  # B = 9e-5
    frames = play({6: Pluck(START_S, 40.0)}, 1.6, inharmonicity=string.inharmonicity)
    wanted = midi_to_hz(40.0) / 2
    assert abs(cents(first_partial(steady(bass_of(frames, interval=-12)[0]), wanted)[0], wanted)) < 3.0


@pytest.mark.parametrize("interval", INTERVALS)
@pytest.mark.parametrize(("string", "midi"), FLEXIBLE)
def test_librosas_yin_hears_the_bass_an_interval_below_a_flexible_string(
    play: Play, string: int, midi: float, interval: int
) -> None:
    frames = play({string: Pluck(START_S, midi)}, 1.6)
    bass, _ = bass_of(frames, interval=interval)
    ratio = 2 ** (interval / 12)
    own = yin_hz(steady(frames[:, string - 1]), midi_to_hz(midi))
    shifted = yin_hz(steady(bass), midi_to_hz(midi) * ratio)
    assert abs(cents(shifted, own * ratio)) < 3.0


@pytest.mark.parametrize("interval", INTERVALS)
@pytest.mark.parametrize(("string", "midi"), FLEXIBLE)
def test_shifting_keeps_the_level_of_the_first_partial(play: Play, string: int, midi: float, interval: int) -> None:
    frames = play({string: Pluck(START_S, midi)}, 1.6)
    bass, _ = bass_of(frames, interval=interval)
    _, own = first_partial(steady(frames[:, string - 1]), midi_to_hz(midi))
    _, shifted = first_partial(steady(bass), midi_to_hz(midi) * 2 ** (interval / 12))
    assert abs(decibels(shifted, own)) < 0.3


@pytest.mark.parametrize("interval", [-5, -12, -24])
@pytest.mark.parametrize(("string", "midi"), FLEXIBLE)
def test_the_jumps_of_the_heads_are_not_heard(play: Play, string: int, midi: float, interval: int) -> None:
    # Read at a share r of its speed a wave has r^2 of its second difference, and nothing may stand out of that.
    frames = play({string: Pluck(START_S, midi)}, 1.6)
    bass, _ = bass_of(frames, interval=interval)
    share = jerk(steady(bass)) / jerk(steady(frames[:, string - 1]))
    assert share < 1.15 * 2 ** (interval / 6)


def attack_s(x: Signal) -> float:
    """When the energy of a millisecond first exceeds a tenth of its maximum in the first 100 ms after the pluck."""
    begin = round(START_S * RATE)
    energy = np.convolve(x**2, np.ones(RATE // 1000))[: len(x)][begin : begin + RATE // 10]
    return float(np.argmax(energy > 0.1 * energy.max()) / RATE)


@pytest.mark.parametrize(
    ("string", "midi", "interval"),
    [
        *((string, midi, interval) for string, midi in FLEXIBLE for interval in (0, -12, -24)),
        (6, 47.0, -12),
    ],
)
def test_the_bass_speaks_within_3_ms_of_the_string(play: Play, string: int, midi: float, interval: int) -> None:
    frames = play({string: Pluck(START_S, midi)}, 0.3)
    bass, _ = bass_of(frames, interval=interval)
    assert attack_s(bass) - attack_s(frames[:, string - 1]) < 0.003


def handovers(events: np.ndarray) -> np.ndarray:
    return events[events["kind"] == HANDOVER]


@pytest.mark.parametrize("crossfade_ms", [1.0, 5.0, 20.0])
@pytest.mark.parametrize("interval", [0, -12])
@pytest.mark.parametrize("voice", ["shifted", "synth"])
def test_a_handover_to_a_string_that_rings_makes_no_click(
    play: Play, crossfade_ms: float, interval: int, voice: str
) -> None:
    settings: dict[str, object] = {"interval": interval, "crossfade_ms": crossfade_ms, "voice": voice}
    low = play({6: Pluck(START_S, 40.0, stop_s=0.9)}, 1.4)
    high = play({4: Pluck(START_S, 52.0)}, 1.4)
    bass, events = bass_of(low + high, **settings)
    change = handovers(events)[-1]
    assert (change["string"], change["value"]) == (4, 6)
    at = int(change["decided"])
    around = bass[at - RATE // 100 : at + RATE // 50]
    # Of either string alone, shifted: the synthesised tone is smoother than any string, and changes its frequency at
    # once, without a step in the wave or its level, but with a corner.
    alone = [bass_of(frames, interval=interval)[0] for frames in (low, high)]
    allowed = max(jerk(x[round(0.5 * RATE) : round(0.9 * RATE)]) for x in alone)
    assert jerk(around) < 1.15 * allowed


def test_the_measure_of_clicks_tells_a_switch_from_a_crossfade(play: Play) -> None:
    low = bass_of(play({6: Pluck(START_S, 40.0)}, 1.4))[0]
    high = bass_of(play({4: Pluck(START_S, 52.0)}, 1.4))[0]
    part = slice(round(0.8 * RATE), round(0.9 * RATE))
    at = part.start + int(np.argmax(np.abs(low[part] - high[part])))
    switched = np.concatenate([low[:at], high[at:]])
    allowed = max(jerk(x[round(0.5 * RATE) : round(0.9 * RATE)]) for x in (low, high))
    assert jerk(switched[at - 50 : at + 50]) > 5 * allowed


@pytest.mark.parametrize("interval", [0, -12])
def test_a_pluck_that_takes_the_bass_is_no_sharper_than_alone(play: Play, interval: int) -> None:
    low = play({6: Pluck(0.5, 40.0)}, 1.0)
    high = play({4: Pluck(START_S, 52.0)}, 1.0)
    bass, events = bass_of(low + high, interval=interval)
    change = handovers(events)[-1]
    assert (change["string"], change["value"]) == (6, 4)
    part = slice(int(change["decided"]) - RATE // 100, int(change["decided"]) + RATE // 50)
    alone = [bass_of(frames, interval=interval)[0] for frames in (low, high)]
    assert jerk(bass[part]) < 1.15 * max(jerk(alone[0][part]), jerk(alone[1][part]))


@pytest.mark.parametrize("crossfade_ms", [1.0, 10.0, 50.0])
def test_a_string_that_already_rings_fades_in_linearly_over_the_crossfade(play: Play, crossfade_ms: float) -> None:
    # At interval 0 a head reads at a constant distance, so the bass is the string, two frames late, times the gain.
    frames = play({6: Pluck(START_S, 40.0, stop_s=0.6, damp_s=0.002), 4: Pluck(START_S, 52.0)}, 1.0)
    bass, events = bass_of(frames, interval=0, crossfade_ms=crossfade_ms)
    at = int(handovers(events)[-1]["decided"]) + 1
    length = round(crossfade_ms * RATE / 1000)
    own = signal.lfilter([1, -1], [1, -np.exp(-2 * np.pi * 15 / RATE)], frames[:, 3])[at - 2 : at - 2 + 3 * length]
    gain = np.minimum(np.arange(3 * length) / length, 1.0)
    # What is left of the stopped string, 18 dB down, fades out meanwhile.
    np.testing.assert_allclose(bass[at : at + length], gain[:length] * own[:length], atol=0.02 * np.abs(own).max())
    np.testing.assert_allclose(bass[at + length : at + 3 * length], own[length:], atol=1e-6)


@pytest.mark.parametrize("interval", INTERVALS)
@pytest.mark.parametrize(("string", "midi"), [(6, 40.0), (4, 50.3), (1, 64.0)])
def test_the_synthesised_voice_has_the_pitch_the_level_and_the_harmonics_it_states(
    play: Play, string: int, midi: float, interval: int
) -> None:
    frames = play({string: Pluck(START_S, midi)}, 1.6, inharmonicity=1e-4)
    voice, _ = bass_of(frames, interval=interval, voice="synth")
    wanted = midi_to_hz(midi) * 2 ** (interval / 12)
    hz, first = first_partial(steady(voice), wanted)
    assert abs(cents(hz, wanted)) < 1.0
    # sin (1 + 0.8 cos + 0.8 cos^2 + 0.4 cos^3) = 1.2 sin + 0.5 sin 2x + 0.2 sin 3x + 0.05 sin 4x: trigonometry.
    for n, share in ((2, 0.5 / 1.2), (3, 0.2 / 1.2), (4, 0.05 / 1.2)):
        assert first_partial(steady(voice), n * wanted)[1] / first == pytest.approx(share, rel=0.05), n
    assert first_partial(steady(voice), 5 * wanted)[1] / first < 1e-3
    level = np.sqrt(2 * np.mean(steady(frames[:, string - 1]) ** 2))
    assert abs(decibels(first, 1.2 * level)) < 1.0


def rms(x: Signal, after_s: float) -> float:
    """Root mean square over 300 ms."""
    begin = round(after_s * RATE)
    return float(np.sqrt(np.mean(x[begin : begin + round(0.3 * RATE)] ** 2)))


@pytest.mark.parametrize("voice", ["shifted", "synth"])
@pytest.mark.parametrize(("dynamics", "share"), [(0.0, 0.0), (0.5, 0.5), (1.0, 1.0)])
def test_dynamics_says_how_much_of_the_playing_is_kept(play: Play, dynamics: float, share: float, voice: str) -> None:
    levels = []
    for velocity in (0.2, 0.45, 0.9):
        frames = play({6: Pluck(START_S, 40.0, velocity=velocity)}, 0.8)
        levels.append(rms(bass_of(frames, dynamics=dynamics, voice=voice)[0], 0.3))
    for level, velocity in zip(levels[1:], (0.45, 0.9), strict=True):
        assert decibels(level, levels[0]) == pytest.approx(share * decibels(velocity, 0.2), abs=1.0)


def test_without_dynamics_every_note_of_every_string_has_its_strings_typical_level(play: Play) -> None:
    for string, midi in ((6, 40.0), (4, 53.0), (1, 67.0)):
        frames = play({string: Pluck(START_S, midi, velocity=0.4)}, 0.8)
        rig = {"detect": {"level_db": [-20.0] * 6}, "bass": {"dynamics": 0.0, "tone_hz": 20_000.0}}
        bass = Processor(Rig.model_validate(rig), RATE).process(frames)[0][:, BASS]
        assert 20 * np.log10(rms(bass, 0.3)) == pytest.approx(-20.0, abs=1.0), string


def test_the_tone_is_a_filter_over_the_finished_bass(play: Play) -> None:
    frames = play({6: Pluck(START_S, 40.0)}, 0.6)
    opened, _ = bass_of(frames)
    filtered, _ = bass_of(frames, tone_hz=300.0)
    tone = compile_parameters(Rig.model_validate({"bass": {"tone_hz": 300.0}}), RATE)[0]["tone"]
    np.testing.assert_allclose(filtered, signal.lfilter(tone[:3], (1.0, *tone[3:]), opened), atol=1e-12)
    assert jerk(filtered) < 0.3 * jerk(opened)


@pytest.mark.parametrize("level_db", [-60.0, -6.0, 6.0])
def test_the_level_is_a_gain(play: Play, level_db: float) -> None:
    frames = play({6: Pluck(START_S, 40.0)}, 0.5)
    np.testing.assert_allclose(
        bass_of(frames, level_db=level_db)[0], 10 ** (level_db / 20) * bass_of(frames)[0], atol=1e-12
    )


def test_no_string_no_bass(play: Play) -> None:
    frames = play({6: Pluck(START_S, 40.0, stop_s=0.4)}, 1.2)
    bass, _ = bass_of(frames)
    assert np.abs(bass[: round(START_S * RATE)]).max() == 0.0
    assert rms(bass, 0.15) > 0.01
    assert np.abs(bass[round(0.7 * RATE) :]).max() < 1e-6
