"""The words of the overview, and takes of unusual length or density."""

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.colors import to_rgb
from matplotlib.figure import Figure
from matplotlib.font_manager import FontEntry, fontManager
from matplotlib.text import Text

from tests.helpers.pictures import bands, contents, draw, is_colour, note, rig_of, seconds_of
from thumbline.dsp.results.overview import draw_overview
from thumbline.dsp.results.overview_layout import LEFT, RIGHT
from thumbline.dsp.results.paper import BAND, BAR, BASS, GUITAR, INK, QUIET, STEP

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


def test_no_word_is_too_small_to_be_read_at_half_the_width(words: Callable[..., list[Text]]) -> None:
    notes = [note(1 + n % 6, 2.0 * n, 2.0 * n + 1.5, n) for n in range(8)]
    drawn = words(26.0, notes, notes[3:], bars=[(1, 0.5), (2, 2.5)])
    assert min(float(word.get_fontsize()) for word in drawn) >= 16.0


def test_a_bar_bears_its_notes_name_when_there_is_room(words: Callable[..., list[Text]]) -> None:
    assert "A4" in contents(words(10.0, [note(1, 2.0, 3.0, fret=5)], []))
    assert "A4" not in contents(words(10.0, [note(1, 2.0, 2.05, fret=5)], []))


def test_the_bass_line_names_its_notes_in_order_even_those_too_short_for_their_bars(
    words: Callable[..., list[Text]],
) -> None:
    bassline = [note(6, 1.0 + 0.6 * fret, 1.2 + 0.6 * fret, fret) for fret in range(6)]
    lanes_and_strip = [word for word in words(20.0, bassline, bassline) if word.get_position()[0] > LEFT]
    names = [word for word in lanes_and_strip if word.get_text()[-1] == "1" and word.get_text()[0] in "EFGA"]
    names.sort(key=lambda word: word.get_position()[0])
    assert contents(names) == ["E1", "F1", "F♯1", "G1", "G♯1", "A1"], "as heard: an octave below what is played"


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
        (GUITAR, BAND, 3.0),
        (STEP, BAND, 3.0),
        (BAR, BAND, 3.0),
        # WCAG 2.1, 1.4.3 Contrast (Minimum): 4.5:1 for text.
        ("white", BASS, 4.5),
        ("black", GUITAR, 4.5),
        (INK, BAND, 4.5),
        (QUIET, "white", 4.5),
    ],
)
def test_lightness_alone_tells_things_apart(one: str, other: str, least: float) -> None:
    dark, light = sorted((luminance(one), luminance(other)))
    assert (light + 0.05) / (dark + 0.05) >= least


def test_a_font_whose_file_is_gone_is_passed_over(
    words: Callable[..., list[Text]], monkeypatch: pytest.MonkeyPatch
) -> None:
    gone = FontEntry(fname="/nowhere/gone.ttf", name="Gone", weight=400)
    monkeypatch.setattr(fontManager, "ttflist", [gone])
    assert "□□□ take" in contents(words(5.0, [], [], title="潮の音 take"))
