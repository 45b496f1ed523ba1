import numpy as np
import pytest

from thumbline.dsp.beats.tempo import beats_from_taps
from thumbline.dsp.errors import InputError
from thumbline.dsp.practice.loops import Loop, early_start_s, parse_loop, phrases, with_faded_ends
from thumbline.dsp.processor.notes import Note

BEATS = beats_from_taps((np.arange(40) * 0.5).tolist(), 20.0, 4, None)


def _note(onset_s: float, seconds: float = 0.4) -> Note:
    return Note(onset_s, onset_s + seconds, 6, 0, 40.0, "E2", 82.4, 0.0, 90)


@pytest.mark.parametrize(
    ("text", "start", "end", "name"),
    [
        ("bars 2-3", 2.0, 6.0, "bars 2-3"),
        ("Bar 4", 6.0, 8.0, "bar 4"),
        ("1.5-3", 1.5, 3.0, "1.5-3 s"),
        ("0:01.5 - 0:10", 1.5, 10.0, "1.5-10 s"),
    ],
)
def test_loops_are_asked_for_by_bar_or_time(text: str, start: float, end: float, name: str) -> None:
    loop = parse_loop(text, BEATS, 20.0)
    assert (loop.start_s, loop.end_s, loop.name) == (pytest.approx(start), pytest.approx(end), name)


@pytest.mark.parametrize("text", ["", "bars", "bars 3-2", "bars 0-1", "bars 1-99", "3-2", "1-1.1", "1-99", "verse"])
def test_what_is_no_loop_is_refused(text: str) -> None:
    with pytest.raises(InputError, match="accepted"):
        parse_loop(text, BEATS, 20.0)


def test_phrases_end_where_the_player_rests() -> None:
    busy = [i * 0.5 for i in range(40) if i // 4 not in (2, 5, 9)]  # bars 3, 6 and 10 rest
    found = phrases(BEATS, [_note(time_s) for time_s in busy] + [_note(19.5)], 20.0)
    assert [(loop.first_bar, loop.last_bar) for loop in found] == [(1, 3), (4, 6), (7, 10)]


def test_phrases_of_an_even_line_are_four_bars_and_cover_the_take() -> None:
    found = phrases(BEATS, [_note(i * 0.5) for i in range(32)], 16.0)
    assert [(loop.first_bar, loop.last_bar) for loop in found] == [(1, 4), (5, 8)]


def test_a_take_without_notes_has_no_phrases() -> None:
    assert phrases(BEATS, [], 20.0) == []


def test_a_note_that_comes_early_is_whole_in_the_loop() -> None:
    loop = Loop("bar 2", 2.0, 4.0, 2, 2, "asked")
    assert early_start_s(loop, [_note(1.97), _note(2.5)]) == pytest.approx(0.038)
    assert early_start_s(loop, [_note(1.8), _note(2.0)]) == pytest.approx(0.008)


def test_faded_ends_that_lie_on_each_other_add_up() -> None:
    seam = 96
    sound = np.ones((1000, 1), np.float32)
    faded = with_faded_ends(sound, seam)
    np.testing.assert_allclose(faded[:seam] + faded[-seam:], 1.0, atol=1e-6)
    assert np.all(faded[seam:-seam] == 1.0)
