"""The options of a practice set: which are read, which refused."""

from pathlib import Path

import pytest

from thumbline.dsp.errors import InputError
from thumbline.dsp.practice.settings import PracticeSettings, parse_ladder, parse_speeds


@pytest.mark.parametrize(
    "wrong",
    [
        {"speeds": (10.0,)},
        {"speeds": ()},
        {"transpose": 13},
        {"mixes": ("drums",)},
        {"click": "sometimes"},
        {"placement": "wide"},
        {"formats": ("wma",)},
        {"loudness_lufs": 0.0},
        {"repeats": 0},
        {"stretch": "rubber"},
        {"beats_per_bar": 0},
        {"quieter_db": float("nan")},
        {"bpm": 90.0, "taps": Path("taps.txt")},
        {"first_bar_s": -1.0},
        {"formats": ()},
    ],
)
def test_settings_that_cannot_be_are_refused(wrong: dict[str, object]) -> None:
    with pytest.raises(InputError, match="accepted"):
        PracticeSettings(**wrong)  # pyright: ignore[reportArgumentType]


def test_speeds_and_ladders_are_read() -> None:
    assert parse_speeds("60, 100%,75,75") == (100.0, 75.0, 60.0)
    assert parse_speeds("100,100.00001,66.6666666") == (100.0, 66.6667), "or two tracks would have one name"
    assert parse_ladder("60-100/20") == (60.0, 80.0, 100.0)
    assert parse_ladder("70%-85") == (70.0, 75.0, 80.0, 85.0)


@pytest.mark.parametrize(
    "text", ["", "fast", "100-60", "60-100/0", "60-100/x", "60", "60-inf", "60-1e9/1", "nan-100", "10-50"]
)
def test_ladders_that_do_not_rise_are_refused(text: str) -> None:
    with pytest.raises(InputError, match="ladder"):
        parse_ladder(text)


@pytest.mark.parametrize("text", ["", "slow", "60;70"])
def test_speeds_that_are_no_numbers_are_refused(text: str) -> None:
    with pytest.raises(InputError, match="speeds"):
        parse_speeds(text)
