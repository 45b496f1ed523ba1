"""The tone stage of the bass: what it adds, that it delays nothing, and that it comes and goes softly."""

import numpy as np
import pytest

from tests.material.rigs import quiet_rig
from thumbline.dsp.memory.records import BASS
from thumbline.dsp.memory.voice_records import CHARACTERS
from thumbline.dsp.processor.processor import Processor
from thumbline.dsp.synthetic.string_model import Signal

RATE = 48_000
SHAPED = CHARACTERS[1:]


def note(hz: float, seconds: float, fall_db_s: float = 8.0, upper_db_s: float = 50.0) -> Signal:
    """A note of the lowest string, after 0.1 s of silence, whose partials from the fourth on fall faster."""
    time_s = np.arange(round(seconds * RATE)) / RATE
    sound = np.zeros(len(time_s))
    for k in range(1, 20):
        fall = fall_db_s if k < 4 else upper_db_s
        sound += 0.1 / k * np.sin(2 * np.pi * k * hz * time_s + k) * 10.0 ** (-fall * time_s / 20.0)
    frames = 1e-6 * np.random.default_rng(1).standard_normal((len(sound) + RATE // 10, 6))
    frames[RATE // 10 :, 5] += sound
    return frames


def played(frames: Signal, character: str, size: int = 4096, chosen: int = 0) -> Signal:
    processor = Processor(quiet_rig(bass={"character": character}), RATE)
    processor.state[0]["controls"]["character"] = chosen
    parts = [processor.process(frames[first : first + size])[0] for first in range(0, len(frames), size)]
    return np.concatenate(parts)[:, BASS]


def level_db(sound: Signal, low_hz: float, high_hz: float) -> float:
    power = np.abs(np.fft.rfft(sound * np.hanning(len(sound)))) ** 2
    hz = np.fft.rfftfreq(len(sound), 1 / RATE)
    return float(10 * np.log10(power[(hz >= low_hz) & (hz < high_hz)].sum()))


@pytest.fixture(scope="module")
def ringing() -> Signal:
    return note(110.0, 1.2)


@pytest.fixture(scope="module")
def raw(ringing: Signal) -> Signal:
    return played(ringing, "raw")


@pytest.mark.parametrize("character", ["fingered", "picked"])
def test_upper_partials_last_as_a_bass_has_them(ringing: Signal, raw: Signal, character: str) -> None:
    """A guitar string's fall by tens of dB per second, those of the sampled basses in `characters` by 2 to 16."""
    sound = played(ringing, character)
    early, late = slice(RATE * 6 // 10, RATE * 9 // 10), slice(RATE * 9 // 10, RATE * 12 // 10)

    def fall_db_s(y: Signal) -> float:
        return (level_db(y[early], 500.0, 1300.0) - level_db(y[late], 500.0, 1300.0)) / 0.3

    assert fall_db_s(raw) > 35.0
    assert fall_db_s(sound) < 16.0
    assert level_db(sound[late], 500.0, 1300.0) > level_db(raw[late], 500.0, 1300.0) + 6.0


def test_characters_go_from_dark_to_bright(ringing: Signal) -> None:
    sounds = [played(ringing, name)[RATE // 2 :] for name in SHAPED]
    upper = [level_db(sound, 640.0, 2600.0) - level_db(sound, 30.0, 20_000.0) for sound in sounds]
    assert upper[0] < upper[1] - 1.0 < upper[2] - 5.0


@pytest.mark.parametrize("character", SHAPED)
def test_nothing_is_delayed_and_nothing_sounds_between_the_partials(
    ringing: Signal, raw: Signal, character: str
) -> None:
    sound = played(ringing, character)
    rise = [int(np.argmax(np.abs(each) > 0.02 * np.abs(each[: RATE // 4]).max())) for each in (raw, sound)]
    assert rise[1] - rise[0] < round(0.0003 * RATE)
    part = sound[RATE // 2 :]
    power = np.abs(np.fft.rfft(part * np.blackman(len(part)))) ** 2
    hz = np.fft.rfftfreq(len(part), 1 / RATE)
    beside = np.abs((hz / 55.0 + 0.5) % 1.0 - 0.5) > 0.15  # an octave down
    assert 10 * np.log10(power[beside & (hz > 80)].sum() / power.sum()) < -50.0


def test_the_result_does_not_depend_on_the_size_of_blocks(ringing: Signal) -> None:
    frames = ringing[: RATE // 2]
    whole = played(frames, "picked", len(frames))
    for size in (1, 17, 509):
        assert played(frames, "picked", size).tobytes() == whole.tobytes()


def test_twenty_db_of_playing_become_less_than_half(ringing: Signal) -> None:
    """Above the threshold 3:1 leaves 20 / 3 dB."""
    steady = note(110.0, 1.2, 0.0, 0.0)
    levels = [20 * np.log10(np.std(played(gain * steady, "fingered")[RATE:])) for gain in (0.25, 2.5)]
    assert levels[1] - levels[0] == pytest.approx(20.0 / 3.0, abs=1.0)


@pytest.mark.parametrize("character", CHARACTERS)
def test_what_the_player_chooses_is_what_a_rig_gives(ringing: Signal, raw: Signal, character: str) -> None:
    chosen = played(ringing, "round", chosen=1 + CHARACTERS.index(character))
    wanted = raw if character == "raw" else played(ringing, character)
    np.testing.assert_allclose(chosen[RATE // 10 :], wanted[RATE // 10 :], atol=1e-6)


def test_a_string_that_is_let_go_leaves_a_little_noise_and_then_silence() -> None:
    frames = note(110.0, 0.6)
    frames[RATE // 2 :, 5] *= np.exp(-np.arange(len(frames) - RATE // 2) / (0.004 * RATE))  # stopped by the hand
    frames = np.concatenate([frames, np.zeros((RATE, 6))])
    sound, raw = played(frames, "fingered"), played(frames, "raw")
    after = slice(round(0.55 * RATE), round(0.7 * RATE))
    loudest = np.abs(sound).max()
    assert 1e-4 * loudest < np.abs(sound[after] - raw[after]).max() < 0.1 * loudest
    assert np.abs(sound[-RATE // 4 :]).max() < 1e-5 * loudest
