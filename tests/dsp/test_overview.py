import struct
import subprocess
import sys
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.colors import to_rgb
from matplotlib.figure import Figure
from matplotlib.font_manager import fontManager
from matplotlib.image import imread
from matplotlib.text import Text
from numpy.typing import NDArray

from thumbline.dsp.notes import Note
from thumbline.dsp.overview import BAND, BASS, GUITAR, GUITAR_EDGE, INK, QUIET, draw_overview
from thumbline.dsp.overview_rows import LEFT, RIGHT
from thumbline.dsp.overview_sheet import WIDTH
from thumbline.dsp.rig import Rig
from thumbline.dsp.tuning import midi_to_hz, midi_to_note

OPEN_STRINGS = ["E4", "B3", "G3", "D3", "A2", "E2", "B1", "F#1", "C#1", "A0"]

Picture = NDArray[np.float64]  # (height, width, 3), 0 black to 1
Place = tuple[int, int]  # first and one past the last pixel


def rig_of(strings: int, capo: int = 0) -> Rig:
    return Rig.model_validate({"instrument": {"strings": OPEN_STRINGS[:strings], "capo": capo}})


def note(string: int, onset_s: float, offset_s: float, fret: int = 0) -> Note:
    midi = float(Rig.model_validate({"instrument": {"strings": OPEN_STRINGS}}).open_midi[string - 1]) + fret
    hz = float(midi_to_hz(midi))
    return Note(onset_s, offset_s, string, fret, midi, midi_to_note(midi), hz, 0.0, 88)


def draw(
    folder: Path,
    seconds: float,
    notes: Sequence[Note],
    bassline: Sequence[Note],
    **more: Any,
) -> Picture:
    path = folder / "overview.png"
    given = {"title": "Low Tide", "rig": rig_of(6), **more}
    draw_overview(path, seconds=seconds, notes=notes, bassline=bassline, **given)
    return imread(path)[:, :, :3].astype(np.float64)


def is_colour(picture: Picture, colour: str) -> NDArray[np.bool_]:
    return np.logical_and.reduce(np.abs(picture - to_rgb(colour)) < 0.01, axis=-1)


def runs(flags: NDArray[np.bool_]) -> list[Place]:
    """First and one past the last index of each run of True."""
    edges = np.flatnonzero(np.diff(np.concatenate(([False], flags, [False])).astype(int)))
    return list(zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True))


def bands(picture: Picture) -> list[Place]:
    """Top and bottom of the lanes, string 1 first, and of the bass line below them; of each row in turn."""
    column = runs(~is_colour(picture[:, LEFT + 3], "white"))
    return [(top, bottom) for top, bottom in column if bottom - top >= 15]  # words are lower than that


def seconds_of(picture: Picture, lane: Place, colour: str, seconds: float) -> list[tuple[float, float]]:
    """Times from and to which a lane holds bars of a colour, in a row of so many seconds."""
    filled = is_colour(picture[slice(*lane), LEFT:RIGHT], colour).sum(axis=0) > 8
    return [(a / (RIGHT - LEFT) * seconds, b / (RIGHT - LEFT) * seconds) for a, b in runs(filled)]


@pytest.fixture
def words(monkeypatch: pytest.MonkeyPatch) -> Callable[..., list[Text]]:
    """A function that draws as ``draw`` does, but writes no file and returns the words of the picture."""
    figures: list[Figure] = []
    monkeypatch.setattr(FigureCanvasAgg, "print_png", lambda self, *_, **__: figures.append(self.figure))

    def words(seconds: float, notes: Sequence[Note], bassline: Sequence[Note], **more: Any) -> list[Text]:
        given = {"title": "Low Tide", "rig": rig_of(6), **more}
        draw_overview(Path("nowhere.png"), seconds=seconds, notes=notes, bassline=bassline, **given)
        return [artist for artist in figures[-1].artists if isinstance(artist, Text)]

    return words


def contents(words: Sequence[Text]) -> list[str]:
    return [word.get_text() for word in words]


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
    code = "import sys, thumbline.dsp.overview; sys.exit('matplotlib.pyplot' in sys.modules)"
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
    """Times at which a dark line goes through a lane from top to bottom."""
    full = np.logical_and.reduce(is_colour(picture[slice(*lane), LEFT:RIGHT], BASS), axis=0)
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


# --- words ---


def test_lanes_are_named_by_string_number_and_open_note(words: Callable[..., list[Text]]) -> None:
    drawn = sorted(words(5.0, [note(1, 1.0, 2.0)], [], rig=rig_of(8)), key=lambda word: word.get_position()[1])
    margin = [word.get_text() for word in drawn if word.get_position()[0] < LEFT]
    assert [text for text in margin if text.isdecimal()] == list("12345678")
    assert [text for text in margin if text in ("E4", "B3", "G3", "D3", "A2", "E2", "B1", "F♯1")] == [
        *("E4", "B3", "G3", "D3", "A2", "E2", "B1", "F♯1")
    ]


def test_with_a_capo_the_open_note_is_the_one_that_sounds(words: Callable[..., list[Text]]) -> None:
    assert "F♯4" in contents(words(5.0, [], [], rig=rig_of(6, capo=2)))


def test_a_bar_bears_its_notes_name_when_there_is_room(words: Callable[..., list[Text]]) -> None:
    assert "A4" in contents(words(10.0, [note(1, 2.0, 3.0, fret=5)], []))
    assert "A4" not in contents(words(10.0, [note(1, 2.0, 2.05, fret=5)], []))


def test_the_bass_line_names_its_notes_in_order_even_those_too_short_for_their_bars(
    words: Callable[..., list[Text]],
) -> None:
    bassline = [note(6, 1.0 + 0.2 * fret, 1.2 + 0.2 * fret, fret) for fret in range(6)]
    lanes_and_strip = [word for word in words(20.0, bassline, bassline) if word.get_position()[0] > LEFT]
    names = [word for word in lanes_and_strip if word.get_text()[-1] == "2" and word.get_text()[0] in "EFGA"]
    names.sort(key=lambda word: word.get_position()[0])
    assert contents(names) == ["E2", "F2", "F♯2", "G2", "G♯2", "A2"]


@pytest.mark.parametrize(
    ("seconds", "shown", "length"),
    [
        (17.6, "5 s", "17.6 s"),
        (120.0, "96 s", "120 s"),
        (150.0, "1:36", "2:30"),
        (4000.0, "1:06:00", "1:06:40"),
    ],
)
def test_times_are_in_seconds_and_over_two_minutes_in_minutes(
    words: Callable[..., list[Text]], seconds: float, shown: str, length: str
) -> None:
    drawn = contents(words(seconds, [note(1, 1.0, 2.0)], []))
    assert shown in drawn
    assert any(text.startswith(f"{length}  ·  6 strings  ·  1 note  ·  0 bass notes") for text in drawn)


def test_the_legend_says_what_is_drawn(words: Callable[..., list[Text]]) -> None:
    assert {"bass", "guitar", "hand-over"} <= set(contents(words(10.0, [], [])))
    assert {"bass", "guitar", "height: share of the time"} <= set(contents(words(3600.0, [], [])))


@pytest.mark.parametrize("title", ["$x_1$", "take_07_final", "100 % \\frac{1}{2}", "a^b & {c} #1", ""])
def test_a_name_is_written_as_it_is(words: Callable[..., list[Text]], title: str) -> None:
    assert title in contents(words(5.0, [], [], title=title))


@pytest.mark.parametrize(
    "title",
    [
        "$\\frac{$",
        "\\alpha_",
        "潮の音",
        "مد وجزر",
        "🌊 e\u0301",
        "\N{SCRIPT SMALL G}",
        "two\nlines",
        "\udcff",
        "\U0010ffff",
    ],
)
def test_any_name_draws_without_a_warning(
    tmp_path: Path, title: str, caplog: pytest.LogCaptureFixture, capfd: pytest.CaptureFixture[str]
) -> None:
    draw(tmp_path, 5.0, [], [], title=title)
    assert caplog.records == []
    assert capfd.readouterr().err == ""


def test_what_the_font_lacks_is_drawn_in_another_that_has_it(tmp_path: Path, words: Callable[..., list[Text]]) -> None:
    title = "tide \N{SCRIPT SMALL G}"  # in STIX, which comes with matplotlib, not in DejaVu Sans
    (name,) = (word for word in words(5.0, [], [], title=title) if word.get_text() == title)
    assert len(set(name.get_fontfamily())) == 2


def test_what_no_font_can_draw_becomes_a_square(
    words: Callable[..., list[Text]], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(fontManager, "ttflist", [])
    assert "□□□ take" in contents(words(5.0, [], [], title="潮の音 take"))


def test_a_long_name_is_cut_short_of_the_legend(words: Callable[..., list[Text]]) -> None:
    drawn = words(5.0, [], [], title="tide after tide " * 40)
    name = next(word for word in drawn if word.get_text().startswith("tide"))
    legend = next(word for word in drawn if word.get_text() == "bass")
    renderer = FigureCanvasAgg(Figure(dpi=72)).get_renderer()
    assert name.get_text().endswith("…")
    assert name.get_window_extent(renderer).x1 < legend.get_window_extent(renderer).x0 - 30


# --- short, empty and long takes ---


@pytest.mark.parametrize("seconds", [0.0, 0.01, 8.0])
def test_a_take_without_notes_shows_its_lanes_and_says_so(words: Callable[..., list[Text]], seconds: float) -> None:
    assert "no notes" in contents(words(seconds, [], []))


def test_a_take_of_no_length_is_drawn(tmp_path: Path) -> None:
    assert len(bands(draw(tmp_path, 0.0, [], []))) == 7


@pytest.mark.parametrize(("seconds", "rows"), [(30.0, 1), (31.0, 2), (90_000.0, 8)])
def test_a_row_holds_half_a_minute_until_there_are_eight(tmp_path: Path, seconds: float, rows: int) -> None:
    picture = draw(tmp_path, seconds, [], [])
    assert len(bands(picture)) == 7 * rows
    assert len(picture) < 2500


def test_a_note_over_the_end_of_a_row_goes_on_in_the_next(tmp_path: Path) -> None:
    picture = draw(tmp_path, 60.0, [], [note(5, 25.0, 40.0)])
    lanes = bands(picture)
    first, second = (seconds_of(picture, lanes[row * 7 + 4], BASS, 30.0) for row in (0, 1))
    assert (first[0][0], first[-1][1]) == pytest.approx((25.0, 30.0), abs=0.05)
    assert (second[0][0], second[-1][1]) == pytest.approx((0.0, 10.0), abs=0.05)


def test_an_hour_shows_what_share_of_the_time_each_string_is_the_bass(tmp_path: Path) -> None:
    # String 6 for the first half of each second throughout the second row, string 4 always in the third.
    low = [note(6, t, t + 0.5) for t in range(450, 900)]
    high = [note(4, t, t + 1.0) for t in range(900, 1350)]
    picture = draw(tmp_path, 3600.0, low + high, low + high)
    expected = np.zeros((8, 6))
    expected[1, 5], expected[2, 3] = 0.5, 1.0
    lanes = np.delete(np.reshape(bands(picture), (8, 7, 2)), 6, axis=1)
    for row, string in np.ndindex(8, 6):
        shares = is_colour(picture[slice(*lanes[row, string]), LEFT:RIGHT], BASS).mean(axis=0)
        # Each column stands for 450 s * 8 / 1448 = 2.5 s, so holds 2 or 3 of the notes.
        np.testing.assert_allclose(shares, expected[row, string], atol=0.15)


def test_many_notes_take_few_artists(monkeypatch: pytest.MonkeyPatch) -> None:
    figures: list[Figure] = []
    monkeypatch.setattr(FigureCanvasAgg, "print_png", lambda self, *_, **__: figures.append(self.figure))
    for count in (200, 4_000):
        onsets = np.linspace(0.0, 3599.0, count)
        notes = [note(1 + i % 6, float(t), float(t) + 0.1, i % 9) for i, t in enumerate(onsets)]
        draw_overview(Path("nowhere.png"), title="", seconds=3600.0, rig=rig_of(6), notes=notes, bassline=notes)
    assert len(figures[1].artists) == len(figures[0].artists) < 400


def test_more_bass_notes_than_a_row_can_show_are_shown_as_shares(words: Callable[..., list[Text]]) -> None:
    notes = [note(1 + i % 6, 0.05 * i, 0.05 * i + 0.05) for i in range(400)]
    assert "height: share of the time" in contents(words(20.0, notes, notes))
    assert "hand-over" in contents(words(20.0, notes, notes[:300]))


# --- legibility ---


def luminance(colour: str) -> float:
    """Relative luminance, as WCAG 2.1 defines it."""
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in to_rgb(colour)]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


@pytest.mark.parametrize(
    ("one", "other", "least"),
    [
        # WCAG 2.1, 1.4.11 Non-text Contrast: 3:1 for what is needed to understand a graphic.
        (BASS, GUITAR, 3.0),
        (BASS, BAND, 3.0),
        (GUITAR_EDGE, BAND, 3.0),
        # WCAG 2.1, 1.4.3 Contrast (Minimum): 4.5:1 for text.
        ("white", BASS, 4.5),
        (INK, GUITAR, 4.5),
        (INK, BAND, 4.5),
        (QUIET, "white", 4.5),
    ],
)
def test_lightness_alone_tells_things_apart(one: str, other: str, least: float) -> None:
    dark, light = sorted((luminance(one), luminance(other)))
    assert (light + 0.05) / (dark + 0.05) >= least
