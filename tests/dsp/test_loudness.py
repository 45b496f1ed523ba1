import numpy as np
import pytest
from pyloudnorm import Meter

from thumbline.dsp.loudness import integrated_loudness, normalise
from thumbline.dsp.true_peak import true_peak

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


@pytest.mark.parametrize("frames", [0, 100, RATE])
def test_silence_and_what_is_too_short_stay_as_they_are(frames: int) -> None:
    sound = np.zeros((frames, 1), np.float32)
    same, gain_db, loudness, peak_db = normalise(sound, RATE, -18.0, -1.0)
    assert same is sound
    assert (gain_db, loudness, peak_db) == (0.0, -np.inf, -np.inf)
