"""The test tone cannot startle anybody, and levels are what they are."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from thumbline.cli.devices.tone import LONGEST_S, LOUDEST_DB, LevelMeter, tone
from thumbline.dsp.errors import InputError

RATE = 48_000


@settings(max_examples=25, deadline=None)
@given(st.floats(20.0, 5000.0), st.floats(-60.0, LOUDEST_DB), st.floats(1.0, 4.0))
def test_the_tone_begins_silent_rises_slowly_and_keeps_its_level(hz: float, level_db: float, seconds: float) -> None:
    sound = tone(RATE, hz, level_db, seconds)
    peak = 10.0 ** (level_db / 20.0)
    assert len(sound) == round(seconds * RATE)
    assert np.max(np.abs(sound)) <= peak * (1.0 + 1e-12)
    assert np.max(np.abs(sound[: RATE // 10])) < 0.06 * peak
    assert abs(sound[0]) == 0.0
    assert abs(sound[-1]) < 1e-6
    # no step: between neighbouring samples it moves no more than a sine at this level does
    assert np.max(np.abs(np.diff(sound))) <= peak * (2.0 * np.pi * hz / RATE + 0.002)


def test_the_tone_has_the_frequency_and_level_asked_for() -> None:
    sound = tone(RATE, 440.0, -20.0, 6.0)[3 * RATE : 5 * RATE]
    spectrum = np.abs(np.fft.rfft(sound * np.hanning(len(sound))))
    assert np.argmax(spectrum) / 2.0 == 440.0
    assert 20.0 * np.log10(np.max(np.abs(sound))) == pytest.approx(-20.0, abs=0.01)


@pytest.mark.parametrize(
    ("values", "words"),
    [
        ((440.0, LOUDEST_DB + 0.1, 3.0), "level of the test tone is -11.9 dBFS; accepted: -60 to -12"),
        ((440.0, 0.0, 3.0), "level"),
        ((440.0, float("nan"), 3.0), "level"),
        ((5.0, -20.0, 3.0), "frequency"),
        ((9000.0, -20.0, 3.0), "frequency"),
        ((440.0, -20.0, LONGEST_S + 1.0), "length"),
        ((440.0, -20.0, 0.0), "length"),
    ],
)
def test_what_could_hurt_is_refused(values: tuple[float, float, float], words: str) -> None:
    with pytest.raises(InputError, match=words):
        tone(RATE, *values)


def test_levels_follow_the_definition() -> None:
    # IEC 61606-1: full scale is the level of a sine whose peaks reach full scale; as plain rms it is -3.01 dB.
    meter = LevelMeter(3)
    t = np.arange(RATE) / RATE
    sine = np.sin(2.0 * np.pi * 997.0 * t)
    for start in range(0, RATE, 777):
        part = slice(start, start + 777)
        meter.feed(np.column_stack([sine[part], 0.1 * sine[part], np.zeros(len(sine[part]))]))
    assert meter.rms_db[0] == pytest.approx(-3.01, abs=0.01)
    assert meter.peak_db[1] == pytest.approx(-20.0, abs=0.01)
    assert meter.words(0).startswith("clips")
    assert meter.words(1) == ""
    assert meter.words(2).startswith("silent")


def test_an_empty_block_changes_nothing() -> None:
    meter = LevelMeter(2)
    meter.feed(np.zeros((0, 2)))
    assert meter.words(0).startswith("silent")
