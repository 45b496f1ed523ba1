"""The view can be read without colour, from afar, and at any size of terminal."""

from dataclasses import replace
from io import StringIO

import pytest
from rich.console import Console

from thumbline.cli.console.glyphs import DOTS_HIGH, large, small
from thumbline.cli.console.screen import screen
from thumbline.cli.console.view import EngineView, MidiView, StringView, View

OPEN = ("E4", "B3", "G3", "D3", "A2", "E2", "B1", "F#1", "C#1", "A0")


def make_view(count: int = 6, bass: int = 6) -> View:
    strings = tuple(
        StringView(
            number=number,
            open_note=OPEN[number - 1],
            level_db=-20.0 if number == bass else -70.0,
            sounding=number == bass,
            note="F#2" if number == bass else "",
            cents=12.0 if number == bass else 0.0,
            bass=number == bass,
            muted=number != bass,
        )
        for number in range(1, count + 1)
    )
    return View(
        strings=strings,
        engine=EngineView("playing", 1.333, 0.11, 0.34, 0, 0, 5.3, True, 0.0, (-11.2, -18.9)),
        midi=MidiView("sending", "bass module in", True, 0.12, 1204, 1.9, 4.4),
        song="Slack Water",
        song_number=2,
        song_count=5,
        split=True,
        hold=False,
        all_unmuted=False,
        bass_level_db=-3.0,
        tone_hz=1800.0,
        interval=-12,
        elapsed_s=754.0,
        done=None,
        notice="",
        alarm=False,
    )


def lines_of(view: View, width: int, height: int, *, plain_characters: bool = False) -> list[str]:
    out = StringIO()
    console = Console(file=out, width=width, height=height, color_system=None)
    console.print(screen(view, width, height, plain_characters=plain_characters), end="")
    return out.getvalue().rstrip("\n").split("\n")


@pytest.mark.parametrize("size", [(80, 24), (200, 50), (120, 30), (76, 12), (60, 10), (40, 8), (20, 4), (1, 1)])
@pytest.mark.parametrize("count", [4, 6, 10])
@pytest.mark.parametrize("alarm", [False, True])
def test_it_fits_any_terminal(size: tuple[int, int], count: int, alarm: bool) -> None:
    width, height = size
    view = replace(make_view(count, count), notice="a long story " * 12, alarm=alarm)
    lines = lines_of(view, width, height)
    assert len(lines) <= height
    assert max(map(len, lines)) <= width


@pytest.mark.parametrize("size", [(80, 24), (200, 50), (80, 14), (60, 14)])
def test_each_string_says_in_words_what_it_is_and_does(size: tuple[int, int]) -> None:
    lines = lines_of(make_view(), *size)
    assert sum(" muted" in line for line in lines) == 5
    assert sum("unmuted" in line for line in lines) == 1
    text = "\n".join(lines)
    assert "sharp +12" in text
    for note in OPEN[:6]:
        assert note in text


@pytest.mark.parametrize(("size", "tall"), [((80, 24), 3), ((80, 34), 4), ((120, 40), 5), ((200, 50), 7)])
def test_the_bass_and_its_note_are_written_as_tall_as_the_terminal_allows(size: tuple[int, int], tall: int) -> None:
    lines = lines_of(make_view(bass=5), *size)
    string = lines[3 + 4 * tall : 3 + 5 * tall]
    draw = small if tall < 5 else large
    for drawn, line in zip(draw("BASS"), string, strict=False):
        assert drawn.rstrip() in line
    for drawn, line in zip(draw("F#2"), string, strict=False):
        assert drawn.rstrip() in line
    others = lines[3 : 3 + 4 * tall]
    assert not any(small("BASS")[0] in line or large("BASS")[0] in line for line in others)


def test_the_bass_line_is_inverted_as_a_whole() -> None:
    out = StringIO()
    console = Console(file=out, width=80, height=24, force_terminal=True, color_system="standard")
    console.print(screen(make_view(), 80, 24), end="")
    inverted = [line for line in out.getvalue().split("\n") if line.startswith(("\x1b[1;7m", "\x1b[7;1m"))]
    assert len(inverted) == 3


@pytest.mark.parametrize(
    ("cents", "words", "side"),
    [
        (-30.0, "flat -30", -1),
        (1.0, "in tune +1", 0),
        (-3.4, "in tune -3", 0),
        (30.0, "sharp +30", 1),
        (-50.0, "flat", -1),
    ],
)
def test_the_needle_and_the_words_agree(cents: float, words: str, side: int) -> None:
    view = make_view(bass=1)
    view = replace(view, strings=(replace(view.strings[0], cents=cents), *view.strings[1:]))
    lines = lines_of(view, 80, 24)
    assert words in lines[5]
    needle = lines[3][20:41]
    marks = [place for place, dot in enumerate(needle) if dot == "█"]
    middle = sum(marks) / len(marks) - 10
    assert (middle > 0) - (middle < 0) == side
    assert abs(middle) == pytest.approx(abs(cents) / 5.0 if side else 0.0, abs=0.6)


def test_louder_is_longer() -> None:
    def filled(level_db: float) -> int:
        view = make_view(bass=1)
        view = replace(view, strings=(replace(view.strings[0], level_db=level_db, note=""), *view.strings[1:]))
        return lines_of(view, 200, 50)[4].count("█")

    lengths = [filled(level) for level in (-120.0, -60.0, -40.0, -20.0, 0.0, 6.0)]
    assert lengths[0] == lengths[1]
    assert lengths[1] < lengths[2] < lengths[3] < lengths[4] == lengths[5]


def test_the_states_that_matter_are_written_out() -> None:
    view = make_view()
    text = "\n".join(lines_of(view, 80, 24))
    assert small("SLACK WATER")[1].strip() in text
    for words in (
        "2/5",
        "12:34",
        "load 8% (peak 26%)",
        "dropouts 0",
        "MIDI 12%",
        "octave down",
    ):
        assert words in text
    assert "q stop" in text
    view = replace(
        view,
        split=False,
        hold=True,
        all_unmuted=True,
        engine=replace(view.engine, sound_on=False, limiter_db=-3.2, missed=4),
        midi=replace(view.midi, present=False, wire_share=0.9),
        notice="The interface is gone: check its cable",
        alarm=True,
        headline="NO SOUND",
    )
    text = "\n".join(lines_of(view, 200, 50))
    for words in ("LIMITING -3.2 dB", "dropouts 4", "IS GONE", "BUSY", "!! The interface"):
        assert words in text
    for words in ("NO SOUND", "SOUND OFF", "NO MIDI", "SPLIT OFF", "HOLD", "UNMUTED"):
        assert all(line.rstrip() in text for line in small(words)), words
    narrow = "\n".join(lines_of(view, 80, 14))
    assert all(line.rstrip() in narrow for line in small("NO SOUND"))
    assert all(words in narrow for words in ("NO MIDI", "SPLIT OFF", "HOLD", "UNMUTED"))
    tiny = lines_of(view, 40, 10)[0]
    assert all(words in tiny for words in ("NO SOUND", "SOUND OFF", "NO MIDI"))
    assert "nothing is sent" in "\n".join(lines_of(replace(view, midi=replace(view.midi, port="")), 200, 50))


@pytest.mark.parametrize("size", [(80, 24), (120, 40), (40, 12)])
def test_what_is_not_as_usual_is_large_and_what_is_usual_is_not_said(size: tuple[int, int]) -> None:
    usual = "\n".join(lines_of(make_view(), *size))
    assert not any(word in usual.upper() for word in ("SOUND ON", "SPLIT ON", "PLAYING"))
    off = lines_of(replace(make_view(), engine=replace(make_view().engine, sound_on=False)), *size)
    assert all(drawn.rstrip() in line for drawn, line in zip(small("SOUND OFF"), off, strict=False))


def test_a_string_that_sounds_in_the_guitar_is_not_hatched_as_muted() -> None:
    view = make_view()
    playing = replace(view.strings[1], sounding=True, note="C4", level_db=-25.0)
    lines = lines_of(replace(view, strings=(view.strings[0], playing, *view.strings[2:])), 80, 24)
    first, second = lines[3:6], lines[6:9]
    assert any("▒" in line for line in first)
    assert not any("▒" in line or "muted" in line for line in second)
    assert any("guitar" in line for line in second)


def test_the_next_song_and_what_each_foot_switch_does_are_said() -> None:
    view = replace(make_view(), next_song="Lantern Walk", feet=("CC 80 hold", "CC 81 to Lantern Walk"))
    for size in ((80, 24), (120, 40)):
        text = "\n".join(lines_of(view, *size))
        assert "next Lantern Walk" in text
        assert "CC 80 hold,  CC 81 to Lantern Walk" in text


@pytest.mark.parametrize("size", [(120, 40), (80, 24), (60, 12)])
def test_where_the_stage_page_is_and_its_code_are_said_unless_a_fault_takes_the_place(size: tuple[int, int]) -> None:
    words = "page http://127.0.0.1:61240/  code 1234 5678"
    assert words in "\n".join(lines_of(replace(make_view(), page=words, feet=("CC 80 hold",)), *size))
    fault = "\n".join(lines_of(replace(make_view(), page=words, notice="The cable is out", alarm=True), *size))
    assert "The cable is out" in fault


def test_plain_characters_are_ascii() -> None:
    view = replace(make_view(), notice="gone", alarm=True)
    for size in ((80, 24), (200, 50)):
        assert all(line.isascii() for line in lines_of(view, *size, plain_characters=True))


def test_a_notice_is_never_left_out() -> None:
    view = replace(make_view(10, 10), notice="The cable is out", alarm=True)
    for height in (24, 14, 13, 12):
        assert any("The cable is out" in line for line in lines_of(view, 80, height))


def test_every_letter_of_a_note_name_has_a_shape_of_its_own() -> None:
    letters = "ABCDEFGHIJKLMNOPQRSTUVWXYZ#0123456789-'.,!&"
    for draw, high in ((small, 3), (large, DOTS_HIGH)):
        shapes = {tuple(draw(letter)) for letter in letters}
        assert len(shapes) == len(letters)
        assert all(len(shape) == high for shape in shapes)


@pytest.mark.parametrize("size", [(80, 24), (200, 50)])
def test_a_note_name_longer_than_any_strings_pushes_nothing_aside(size: tuple[int, int]) -> None:
    view = make_view(bass=6)
    below = replace(view, strings=(*view.strings[:5], replace(view.strings[5], note="C#-1")))
    short = replace(view, strings=(*view.strings[:5], replace(view.strings[5], note="C#")))
    tall = 3 if size == (80, 24) else 7
    lines = [lines_of(each, *size)[3 + 5 * tall : 3 + 6 * tall] for each in (below, short)]
    wide = len((small if tall == 3 else large)("   ")[0])
    assert [line[7 + wide :] for line in lines[0]] == [line[7 + wide :] for line in lines[1]]
    assert lines[0] != lines[1]
