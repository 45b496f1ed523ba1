"""The overview: its lanes, its bars, and the path of the bass, read from the pixels."""

import struct
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from matplotlib.text import Text

from tests.helpers.pictures import (
    Picture,
    Place,
    bands,
    draw,
    is_colour,
    note,
    rig_of,
    runs,
    seconds_of,
)
from thumbline.dsp.results.overview_layout import LEFT, RIGHT
from thumbline.dsp.results.paper import BAR, BASS, GUITAR, STEP
from thumbline.dsp.results.sheet import WIDTH

# --- the file ---


def test_the_file_is_a_png_of_true_colour_as_wide_as_said(tmp_path: Path) -> None:
    draw(tmp_path, 10.0, [note(1, 2.0, 4.0)], [])
    data = (tmp_path / "overview.png").read_bytes()
    # W3C PNG Specification (Second Edition), 5.2 PNG signature and 11.2.2 IHDR image header.
    assert data[:8] == bytes([137, 80, 78, 71, 13, 10, 26, 10])
    assert data[12:16] == b"IHDR"
    width, height, depth, colour_type = struct.unpack(">IIBB", data[16:26])
    assert (width, depth, colour_type) == (WIDTH, 8, 6)
    assert 600 <= height <= 900


def test_the_same_take_gives_the_same_bytes(tmp_path: Path) -> None:
    notes = [note(s, 0.5 * s, 0.5 * s + 1.2, fret=s) for s in range(1, 7)]
    for folder in (tmp_path / "one", tmp_path / "two"):
        folder.mkdir()
        draw(folder, 5.0, notes, notes[3:])
    assert (tmp_path / "one/overview.png").read_bytes() == (tmp_path / "two/overview.png").read_bytes()


def test_nothing_of_matplotlib_that_opens_windows_or_keeps_figures_is_loaded() -> None:
    code = "import sys, thumbline.dsp.results.overview; sys.exit('matplotlib.pyplot' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0


@pytest.mark.parametrize("seconds", [-1.0, float("nan"), float("inf")])
def test_a_length_that_is_none_is_refused(tmp_path: Path, seconds: float) -> None:
    with pytest.raises(ValueError, match=f"seconds is {seconds}; accepted: a finite number from 0"):
        draw(tmp_path, seconds, [], [])
    assert not (tmp_path / "overview.png").exists()


# --- lanes and notes ---


@pytest.mark.parametrize("strings", [4, 7, 10])
def test_there_is_a_lane_for_each_string_and_one_for_the_bass_line(tmp_path: Path, strings: int) -> None:
    assert len(bands(draw(tmp_path, 10.0, [note(1, 2.0, 4.0)], [], rig=rig_of(strings)))) == strings + 1


@pytest.mark.parametrize("string", [1, 6])
def test_a_note_is_a_bar_in_the_lane_of_its_string_from_onset_to_offset(tmp_path: Path, string: int) -> None:
    picture = draw(tmp_path, 20.0, [note(string, 5.0, 7.5)], [])
    for number, lane in enumerate(bands(picture), 1):
        found = seconds_of(picture, lane, GUITAR, 20.0)
        if number == string:
            assert found[0][0] == pytest.approx(5.0, abs=0.04)
            assert found[-1][1] == pytest.approx(7.5, abs=0.04)
        else:
            assert found == []


def test_a_note_is_dark_exactly_while_its_string_is_the_bass(tmp_path: Path) -> None:
    picture = draw(tmp_path, 10.0, [note(4, 2.0, 8.0)], [note(4, 4.0, 6.0)])
    lane = bands(picture)[3]
    bass, guitar = seconds_of(picture, lane, BASS, 10.0), seconds_of(picture, lane, GUITAR, 10.0)
    assert (bass[0][0], bass[-1][1]) == pytest.approx((4.0, 6.0), abs=0.02)
    before, after = [t for t in guitar if t[1] < 4.1], [t for t in guitar if t[0] > 5.9]
    assert (before[0][0], before[-1][1]) == pytest.approx((2.0, 4.0), abs=0.02)
    assert (after[0][0], after[-1][1]) == pytest.approx((6.0, 8.0), abs=0.02)
    assert len(before) + len(after) == len(guitar)


def test_every_piece_of_a_note_bears_its_name(words: Callable[..., list[Text]]) -> None:
    drawn = words(10.0, [note(4, 2.0, 8.0)], [note(4, 4.0, 6.0)])
    names = [word.get_position() for word in drawn if word.get_text() == "D3"]
    lane = [x for x, y in names if x > LEFT and y < 600]
    assert lane == pytest.approx([LEFT + (RIGHT - LEFT) * t / 10.0 + 5 for t in (2.0, 6.0, 4.0)], abs=1)


def test_two_notes_that_follow_at_once_on_a_string_are_told_apart(tmp_path: Path) -> None:
    picture = draw(tmp_path, 10.0, [], [note(5, 2.0, 2.1), note(5, 2.1, 2.2)])
    assert len(seconds_of(picture, bands(picture)[4], BASS, 10.0)) == 2


def test_the_shortest_note_of_the_bass_is_seen(tmp_path: Path) -> None:
    with_it, without = (draw(tmp_path, 60.0, [], line) for line in ([note(3, 50.0, 50.001)], []))
    lane = bands(without)[7 + 2]  # in the second row of six lanes and a bass line
    assert (with_it[slice(*lane)] - without[slice(*lane)]).min() < -0.5


def test_notes_of_one_string_lie_higher_the_higher_the_fret(tmp_path: Path) -> None:
    notes = [note(2, 1.0, 3.0), note(2, 4.0, 6.0, fret=5), note(2, 7.0, 9.0, fret=12)]
    picture = draw(tmp_path, 10.0, notes, [])
    columns = [LEFT + int((RIGHT - LEFT) * t / 10.0) for t in (2.9, 5.9, 8.9)]
    lane = slice(*bands(picture)[1])
    tops = [int(np.flatnonzero(is_colour(picture[lane, x], GUITAR))[0]) for x in columns]
    assert tops[0] > tops[1] > tops[2]


# --- the path of the bass ---


def crossing(picture: Picture, lane: Place, seconds: float) -> list[float]:
    """Times at which a line of the path goes through a lane from top to bottom."""
    full = np.logical_and.reduce(is_colour(picture[slice(*lane), LEFT:RIGHT], STEP), axis=0)
    return [a / (RIGHT - LEFT) * seconds for a, _ in runs(full)]


def test_a_hand_over_is_a_line_from_lane_to_lane_at_its_moment(tmp_path: Path) -> None:
    picture = draw(tmp_path, 10.0, [], [note(6, 1.0, 4.0), note(3, 4.0, 7.0)])
    lanes = bands(picture)
    assert crossing(picture, lanes[4], 10.0) == pytest.approx([4.0], abs=0.02)
    assert crossing(picture, lanes[3], 10.0) == pytest.approx([4.0], abs=0.02)
    assert crossing(picture, lanes[1], 10.0) == []


@pytest.mark.parametrize(("handover_s", "at"), [([], 6.0), ([0.5, 5.5, 8.0], 5.5), ([2.0], 6.0)])
def test_in_silence_the_path_stays_in_its_lane_until_the_hand_over(
    tmp_path: Path, handover_s: list[float], at: float
) -> None:
    picture = draw(tmp_path, 10.0, [], [note(6, 1.0, 4.0), note(4, 6.0, 7.0)], handover_s=handover_s)
    lanes = bands(picture)
    assert crossing(picture, lanes[4], 10.0) == pytest.approx([at], abs=0.02)
    column = LEFT + int((RIGHT - LEFT) * 0.45)
    assert (picture[slice(*lanes[5]), column].min(axis=1) < 0.5).sum() in (1, 2)


def test_the_bass_line_shows_pitch(tmp_path: Path) -> None:
    picture = draw(tmp_path, 10.0, [], [note(6, 1.0, 3.0), note(5, 4.0, 6.0), note(6, 7.0, 9.0)])
    strip = slice(*bands(picture)[-1])
    columns = [LEFT + int((RIGHT - LEFT) * t / 10.0) for t in (2.0, 5.0, 8.0)]
    low, high, low_again = (np.flatnonzero(is_colour(picture[strip, x], BASS)).mean() for x in columns)
    assert low == low_again > high


def test_a_bend_of_the_bass_is_drawn_in_the_bass_line_and_no_other_pitch_is(tmp_path: Path) -> None:
    bassline = [note(6, 2.0, 4.0), note(5, 6.0, 8.0)]
    times = [float(t) for t in np.arange(1.0, 9.0, 0.01)]
    bend = [(t, 6, 82.4 * 2 ** (max(0.0, t - 3.0) * 3 / 12)) for t in times]
    other = [(t, 2, 300.0) for t in times] + [(t, 5, float("nan")) for t in times]
    plain = draw(tmp_path, 10.0, [], bassline)
    bent = draw(tmp_path, 10.0, [], bassline, pitch=sorted(bend + other))
    rows, columns = np.nonzero(np.abs(bent - plain).max(axis=-1) > 0.2)
    top, bottom = bands(plain)[-1]
    assert top <= rows.min() <= rows.max() < bottom
    assert (columns.min() - LEFT) / (RIGHT - LEFT) * 10.0 > 3.0
    assert (columns.max() - LEFT) / (RIGHT - LEFT) * 10.0 == pytest.approx(4.0, abs=0.03)


def test_a_hand_over_in_a_later_row_is_drawn_there_alone(tmp_path: Path) -> None:
    line = [note(6, 1.0, 4.0), note(4, 50.0, 52.0)]
    picture = draw(tmp_path, 60.0, [], line, handover_s=[50.0])
    lanes = bands(picture)
    assert crossing(picture, lanes[4], 30.0) == []
    assert crossing(picture, lanes[7 + 4], 30.0) == pytest.approx([20.0], abs=0.1)


def test_a_string_that_has_the_bass_for_a_moment_is_a_bar_without_lines(tmp_path: Path) -> None:
    line = [note(6, 1.0, 4.0), note(1, 4.0, 4.039), note(6, 4.039, 7.0)]
    picture = draw(tmp_path, 10.0, [], line)
    lanes = bands(picture)
    assert crossing(picture, lanes[2], 10.0) == []
    assert [a for a, _ in seconds_of(picture, lanes[0], BASS, 10.0)] == pytest.approx([4.0], abs=0.02)


def test_bars_begin_at_thin_lines(tmp_path: Path) -> None:
    bars = [(1, 1.0), (2, 3.0), (3, 5.0)]
    picture = draw(tmp_path, 10.0, [note(6, 1.0, 4.0)], [], bars=bars)
    top, bottom = bands(picture)[0]
    full = np.logical_and.reduce(is_colour(picture[top + 1 : bottom - 1, LEFT:RIGHT], BAR), axis=0)
    assert [a / (RIGHT - LEFT) * 10.0 for a, _ in runs(full)] == pytest.approx([1.0, 3.0, 5.0], abs=0.02)


def test_bars_are_numbered_above_the_lanes(words: Callable[..., list[Text]]) -> None:
    drawn = words(10.0, [], [], bars=[(1, 1.0), (2, 3.0), (3, 3.1)])
    above = [word.get_text() for word in drawn if 80 < word.get_position()[1] < 96]
    assert above == ["1", "2"]
