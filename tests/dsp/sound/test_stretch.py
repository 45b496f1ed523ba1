from dataclasses import replace

import numpy as np
import pytest

from tests.material.voices import RATE, attack_s, first_partial_hz, onset_s, plucked
from thumbline.dsp.sound.stretch import Voice, stretch
from thumbline.dsp.sound.stretch_mixture import stretch_mixture

SPEEDS = (60, 75, 90, 120)
#: Key and inharmonicity: from a bass string to the highest, stiffer than most.
STRINGS = ((33.0, 1e-4), (40.0, 1.2e-4), (50.0, 8e-5), (55.0, 6e-5), (64.0, 3e-5))


@pytest.mark.parametrize("speed", SPEEDS)
@pytest.mark.parametrize(("midi", "stiffness"), STRINGS)
def test_pitch_stays_within_3_cents(midi: float, stiffness: float, speed: int) -> None:
    voice = plucked(midi, [0.1], 2.0, stiffness)
    factor = 100 / speed
    slow = stretch(voice, factor)
    first, last = round(0.4 * RATE), round(1.6 * RATE)
    was = first_partial_hz(voice.sound[first:last], float(voice.hz[-1]))
    now = first_partial_hz(slow[round(first * factor) : round(last * factor)], float(voice.hz[-1]))
    assert abs(1200 * np.log2(now / was)) < 3.0


@pytest.mark.parametrize("speed", SPEEDS)
def test_onsets_and_attacks_are_the_originals_to_the_sample(speed: int) -> None:
    times = [0.1, 0.4, 0.73, 1.0, 1.55]
    voice = plucked(45.0, times, 2.0)
    factor = 100 / speed
    slow = stretch(voice, factor)
    for onset in voice.onsets:
        at = round(onset * factor)
        note = slice(onset, onset + round(0.03 * RATE))
        np.testing.assert_allclose(slow[at : at + note.stop - note.start], voice.sound[note], atol=1e-6)
    for time_s in times:
        assert abs(onset_s(slow, time_s * factor) - factor * time_s - (onset_s(voice.sound, time_s) - time_s)) < 0.001
        assert abs(attack_s(slow, time_s * factor) - attack_s(voice.sound, time_s)) < 0.002


@pytest.mark.parametrize("apart_s", [0.006, 0.0097])
@pytest.mark.parametrize("speed", [50, 60, 75])
def test_a_note_right_after_another_onset_begins_where_it_belongs(speed: int, apart_s: float) -> None:
    """As where the bass passes to a string while the one before was plucked just now."""
    voice = plucked(40.0, [0.2, 0.7], 1.5)
    onsets = np.sort(np.append(voice.onsets, voice.onsets[1] - round(apart_s * RATE)))
    slow = stretch(replace(voice, onsets=onsets), 100 / speed)
    late = onset_s(voice.sound, 0.7) - 0.7
    assert abs(onset_s(slow, 0.7 * 100 / speed) - 0.7 * 100 / speed - late) < 0.001


def test_no_pluck_is_heard_before_its_time() -> None:
    voice = plucked(40.0, [0.5], 1.0)
    slow = stretch(voice, 1.6)
    assert np.max(np.abs(slow[: round(0.79 * RATE)])) == 0.0


def test_jumps_do_not_click() -> None:
    voice = plucked(40.0, [0.1], 2.0, 1.2e-4)
    slow = stretch(voice, 1.5)

    def roughness(sound: np.ndarray, from_s: float) -> float:
        return float(np.max(np.abs(np.diff(sound[round(from_s * RATE) :], 2))))

    assert roughness(slow, 0.3) < 1.1 * roughness(voice.sound, 0.2)


def test_loudness_does_not_waver() -> None:
    voice = plucked(45.0, [0.1], 3.0, 0.0)
    slow = stretch(voice, 1.7)
    window = np.ones(RATE // 20) / (RATE // 20)
    level = 10 * np.log10(np.convolve(slow[round(0.5 * RATE) : round(4.5 * RATE)].astype(float) ** 2, window, "valid"))
    smooth = np.polyval(np.polyfit(np.arange(len(level)), level, 3), np.arange(len(level)))
    assert np.max(np.abs(level - smooth)) < 1.0


def test_at_its_own_speed_nothing_changes() -> None:
    voice = plucked(45.0, [0.1, 0.5], 1.0)
    assert np.array_equal(stretch(voice, 1.0), voice.sound)


@pytest.mark.parametrize("frames", [0, 1, 100, 5000])
def test_sounds_of_any_length_are_stretched(frames: int) -> None:
    none = np.zeros(0, np.int64)
    voice = Voice(np.ones(frames, np.float32), RATE, none, none, np.zeros(0))
    assert len(stretch(voice, 1.5)) == round(1.5 * frames)
    assert len(stretch(voice, 0.6)) == round(0.6 * frames)


def test_noise_without_any_pitch_is_stretched_and_stays_as_loud() -> None:
    noise = np.random.default_rng(1).standard_normal(RATE).astype(np.float32)
    none = np.zeros(0, np.int64)
    slow = stretch(Voice(noise, RATE, none, none, np.zeros(0)), 2.0)
    assert 0.8 < np.std(slow) < 1.1


def test_a_part_of_a_voice_sounds_as_it_does_in_the_whole() -> None:
    voice = plucked(45.0, [0.1, 0.5, 1.0], 1.5)
    part = voice.part(round(0.4 * RATE), round(1.2 * RATE))
    assert part.onsets.tolist() == [round(0.1 * RATE), round(0.6 * RATE)]
    assert onset_s(stretch(part, 1.5), 0.15) == pytest.approx(0.15, abs=0.002)


@pytest.mark.parametrize("factor", [0.0, 0.2, 9.0, np.nan])
def test_factors_that_make_no_sense_are_refused(factor: float) -> None:
    with pytest.raises(ValueError, match="factor"):
        stretch(plucked(45.0, [0.1], 0.3), factor)


def test_a_mixture_at_its_own_speed_is_left_alone_by_the_library() -> None:
    sound = plucked(45.0, [0.1], 0.5).sound[:, None]
    assert np.array_equal(stretch_mixture(sound, RATE, 1.0, len(sound)), sound)
    assert len(stretch_mixture(sound, RATE, 1.0, len(sound) + 5)) == len(sound) + 5
