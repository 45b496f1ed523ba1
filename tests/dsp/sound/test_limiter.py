import numpy as np
import pytest

from thumbline.dsp.sound.limiter import TrackLimiter
from thumbline.dsp.sound.true_peak import true_peak

RATE = 48_000


def _plucks(level: float, seconds: float = 4.0) -> np.ndarray:
    time = np.arange(round(seconds * RATE)) / RATE
    sound = level * np.sin(2 * np.pi * 110 * time) * np.exp(-8 * (time % 0.5))
    return sound.astype(np.float32)[:, None]


def test_where_no_peak_is_near_the_limiter_changes_nothing() -> None:
    sound = _plucks(0.5)
    sound[RATE] = 2.0
    limited = TrackLimiter(sound, RATE, -1.0).limited(0.0)
    far = np.abs(np.arange(len(sound)) - RATE) > 0.05 * RATE
    assert np.array_equal(limited[far], sound[far])
    assert true_peak(limited) <= 10 ** (-1.0 / 20)


def test_a_sound_below_the_ceiling_is_left_alone() -> None:
    sound = _plucks(0.3)
    limiter = TrackLimiter(sound, RATE, -1.0)
    assert not limiter.works_at(0.0)
    np.testing.assert_array_equal(limiter.limited(0.0), sound)


def test_channels_are_turned_down_together() -> None:
    left = _plucks(2.0)
    limited = TrackLimiter(np.hstack([left, 0.5 * left]).astype(np.float32), RATE, -1.0).limited(0.0)
    np.testing.assert_allclose(limited[:, 1], 0.5 * limited[:, 0], atol=1e-6)


@pytest.mark.parametrize("gain_db", [-3.0, 0.0, 0.5, 9.0])
def test_a_gain_is_as_good_as_the_louder_sound(gain_db: float) -> None:
    sound = _plucks(1.2)
    limiter = TrackLimiter(sound, RATE, -1.0)
    limiter.limited(0.2)  # what is known of the peaks by now must not be taken for all of them
    louder = sound * np.float32(10 ** (gain_db / 20))
    np.testing.assert_allclose(limiter.limited(gain_db), TrackLimiter(louder, RATE, -1.0).limited(0.0), atol=1e-5)


def test_what_limiting_takes_is_known_beforehand() -> None:
    sound = _plucks(1.0)
    limiter = TrackLimiter(sound, RATE, -1.0)
    for gain_db in (-3.0, 3.0, 12.0):
        powers = [np.mean(each.astype(float) ** 2) for each in (limiter.limited(gain_db), sound)]
        assert limiter.lost_db(gain_db) == pytest.approx(gain_db - 10 * np.log10(powers[0] / powers[1]), abs=1e-4)
    assert limiter.lost_db(-3.0) == 0.0
    assert limiter.lost_db(12.0) > 3.0
