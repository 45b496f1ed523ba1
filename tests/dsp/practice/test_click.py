import numpy as np
import pytest

from thumbline.dsp.beats.tempo import beats_from_taps
from thumbline.dsp.practice.click import click_times, count_in, knock_sound, knocks, lead_frames, render_click

RATE = 48_000
BEATS = beats_from_taps([1.0, 1.55, 2.05, 2.6, 3.1, 3.65], 6.0, 4, None)


@pytest.mark.parametrize("speed", [50.0, 75.0, 100.0, 110.0])
def test_each_knock_begins_in_the_very_frame_of_its_beat(speed: float) -> None:
    factor = 100 / speed
    times = click_times(BEATS, 3.7, 1, True)
    lead = lead_frames(times[0][0], factor, RATE)
    placed = knocks(times, factor, lead, RATE)
    frames = placed[-1].frame + RATE
    sound = render_click(placed, frames, RATE, 4.0)
    starts = np.flatnonzero((sound != 0) & (np.concatenate([[0.0], sound[:-1]]) == 0))
    expected = [round(time_s * factor * RATE) + lead for time_s, _ in times]
    assert starts[np.concatenate([[True], np.diff(starts) > 2000])].tolist() == expected


def test_the_count_in_leads_to_bar_1_at_the_pace_of_its_first_beat() -> None:
    times = count_in(BEATS, 1)
    np.testing.assert_allclose([time_s for time_s, _ in times], 1.0 - 0.55 * np.arange(4, 0, -1))
    assert [accent for _, accent in times] == [True, False, False, False]


def test_throughout_every_beat_is_heard_and_the_first_of_each_bar_is_accented() -> None:
    times = click_times(BEATS, 3.7, 0, True)
    assert [time_s for time_s, _ in times] == pytest.approx([1.0, 1.55, 2.05, 2.6, 3.1, 3.65])
    assert [accent for _, accent in times] == [True, False, False, False, True, False]


def test_without_a_count_in_and_click_there_is_none() -> None:
    assert click_times(BEATS, 3.7, 0, False) == []


def test_the_accent_is_as_much_louder_as_said() -> None:
    loud, soft = (np.max(np.abs(knock_sound(accent, RATE, 6.0))) for accent in (True, False))
    assert 20 * np.log10(loud / soft) == pytest.approx(6.0, abs=0.01)


def test_a_count_in_that_fits_before_the_take_needs_no_lead() -> None:
    assert lead_frames(0.5, 1.0, RATE) == 0
    assert lead_frames(-0.5, 2.0, RATE) == round(1.1 * RATE)
