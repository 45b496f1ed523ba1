import numpy as np
import pytest
from pyloudnorm import Meter

from thumbline.dsp.sound.loudness import integrated_loudness, loudness_at_any_level, normalise
from thumbline.dsp.sound.true_peak import true_peak

RATE = 48_000


def _plucks(level: float, seconds: float = 4.0) -> np.ndarray:
    time = np.arange(round(seconds * RATE)) / RATE
    sound = level * np.sin(2 * np.pi * 110 * time) * np.exp(-8 * (time % 0.5))
    return sound.astype(np.float32)[:, None]


@pytest.mark.parametrize("level", [0.01, 0.1, 3.0])
def test_a_sound_is_brought_to_the_loudness(level: float) -> None:
    sound, _, loudness, peak_db = normalise(_plucks(level), RATE, -18.0, -1.0)
    exact = Meter(RATE, filter_class="DeMan").integrated_loudness(sound)
    assert exact == pytest.approx(-18.0, abs=0.03)
    assert loudness == pytest.approx(exact, abs=0.03)
    assert peak_db <= -1.0


def test_peaks_are_limited_and_loudness_is_kept_all_the_same() -> None:
    time = np.arange(6 * RATE) / RATE
    spikes = np.exp(-60 * (time % 0.5)) * np.sin(2 * np.pi * 220 * time)
    sound, _, loudness, peak_db = normalise(spikes.astype(np.float32)[:, None], RATE, -18.0, -1.0)
    assert np.max(np.abs(spikes)) * 10 ** ((-18.0 - integrated_loudness(spikes[:, None], RATE)) / 20) > 1.0
    assert -1.3 < peak_db <= -1.0
    assert loudness == pytest.approx(-18.0, abs=0.1)
    assert true_peak(sound) <= 10 ** (-1.0 / 20)


def _odd(name: str) -> np.ndarray:
    time = np.arange(3 * RATE) / RATE
    impulses = np.where(np.arange(len(time)) % RATE == RATE // 2, 0.9, 0.0)
    sounds = {
        "one impulse": impulses * (time < 1.0),
        "impulses": impulses,
        "constant": 0.8 + 0.1 * np.sin(2 * np.pi * 100 * time),
        "low tone": np.sin(2 * np.pi * 30 * time),
        "blips": np.where(time % 0.5 < 0.05, np.sin(2 * np.pi * 82 * time), 0.0),
    }
    return sounds[name].astype(np.float32)[:, None]


@pytest.mark.parametrize("target", [-18.0, -9.0])
@pytest.mark.parametrize("name", ["one impulse", "impulses", "constant", "low tone", "blips"])
def test_what_cannot_be_that_loud_stays_softer_and_is_told_as_it_is(name: str, target: float) -> None:
    sound, gain_db, loudness, peak_db = normalise(_odd(name), RATE, target, -1.0)
    assert np.isfinite(sound).all()
    assert np.isfinite(gain_db)
    assert peak_db <= -1.0
    assert loudness <= target + 0.06
    assert loudness == pytest.approx(integrated_loudness(sound, RATE), abs=0.06)


@pytest.mark.parametrize("level", [1e-5, 1e-4, 1.0, 1e5])
def test_a_level_far_from_the_usual_is_measured_as_well(level: float) -> None:
    usual, other = (loudness_at_any_level(_plucks(each), RATE) for each in (0.1, level))
    assert other - usual == pytest.approx(20 * np.log10(level / 0.1), abs=0.06)


@pytest.mark.parametrize("frames", [0, 100, RATE])
def test_silence_and_what_is_too_short_stay_as_they_are(frames: int) -> None:
    sound = np.zeros((frames, 1), np.float32)
    same, gain_db, loudness, peak_db = normalise(sound, RATE, -18.0, -1.0)
    assert same is sound
    assert (gain_db, loudness, peak_db) == (0.0, -np.inf, -np.inf)
