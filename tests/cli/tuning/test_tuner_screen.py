"""The tuner's screen: one string, as large as the terminal, right at any size; and how the tuner is turned on."""

from dataclasses import replace
from io import StringIO
from pathlib import Path

import numpy as np
import pytest
from rich.console import Console

from thumbline.cli.console.glyphs import huge
from thumbline.cli.console.listener import Listener
from thumbline.cli.console.make_memory import create
from thumbline.cli.console.routing import make_routing
from thumbline.cli.songs.wishes import press
from thumbline.cli.tuning.tuner_screen import tuner_screen
from thumbline.cli.tuning.tuner_view import TunerView
from thumbline.dsp.live.block import serve
from thumbline.dsp.rig.model import Rig


def lines_of(tuner: TunerView, width: int, height: int, *, plain_characters: bool = False) -> list[str]:
    out = StringIO()
    console = Console(file=out, width=width, height=height, color_system=None)
    console.print(tuner_screen(tuner, width, height, huge, plain_characters=plain_characters), end="")
    return out.getvalue().rstrip("\n").split("\n")


FLAT = TunerView(5, "A2", -3.2, 109.8, True, 0.0)


@pytest.mark.parametrize("size", [(200, 50), (120, 30), (80, 24), (60, 14), (40, 8), (10, 3), (1, 1)])
@pytest.mark.parametrize("plain", [False, True])
@pytest.mark.parametrize("tuner", [FLAT, TunerView(), replace(TunerView(), note="C#-1", cents=-49.9, rests=True)])
def test_it_fits_any_terminal(size: tuple[int, int], plain: bool, tuner: TunerView) -> None:
    lines = lines_of(tuner, *size, plain_characters=plain)
    assert len(lines) <= size[1]
    assert max(map(len, lines)) <= size[0]
    assert not plain or all(line.isascii() for line in lines)


def test_string_note_and_cents_are_said_and_most_of_the_screen_is_the_note() -> None:
    lines = lines_of(FLAT, 80, 24)
    assert "string 5   A2 -3.2 flat   109.80 Hz" in lines[0]
    assert sum("█" in line for line in lines) > 12
    assert "t: back" in lines[-1]


@pytest.mark.parametrize(
    ("cents", "rests", "shown"),
    [
        (0.4, True, "+0.4 in tune"),
        (0.4, False, "+0 in tune"),
        (-1.04, True, "-1.0 in tune"),
        (-1.2, True, "-1.2 flat"),
        (31.0, False, "+31 sharp"),
    ],
)
def test_tenths_are_shown_at_rest_and_a_word_says_which_way(cents: float, rests: bool, shown: str) -> None:
    tuner = TunerView(5, "A2", cents, 110.0, rests, 2.0)
    assert f"A2 {shown}" in lines_of(tuner, 80, 24)[0]
    assert "+2.0 cents asked for" in lines_of(tuner, 80, 24)[0]


def test_the_key_turns_it_on_and_the_listener_hears_the_string(tmp_path: Path) -> None:
    live = create(tmp_path / "memory", [("a", Rig())], rate=48_000, block_frames=64, routing=make_routing([1], [2]))
    live.engine.rate, live.request.sound_on = 48_000.0, 1
    listener = Listener(live, [("a", Rig())])
    assert listener.view().tuner is None
    assert press("t", live, Rig())
    assert listener.view().tuner == TunerView()
    at_s = np.arange(2 * 48_000) / 48_000
    sound = np.zeros((len(at_s), 6), np.float32)
    begun = np.maximum(at_s - 0.1, 0.0)
    wave = sum(np.sin(2 * np.pi * 110.5 * k * begun) * np.exp(-k * begun) / k for k in range(1, 9))
    sound[:, 4] = 0.2 * np.asarray(wave)
    out = np.zeros((3200, 2), np.float32)
    shown: TunerView | None = None
    for first in range(0, len(sound), 3200):
        serve(live, sound[first : first + 3200], out)
        listener.happened()
        shown = listener.view().tuner
        assert not out.any(), "all sound is off"
    assert shown is not None
    assert (shown.string, shown.note) == (5, "A2")
    assert shown.cents == pytest.approx(1200 * np.log2(110.5 / 110.0), abs=0.3)
    assert not any(live.keeper.closed), "no mute has been touched"
    press("T", live, Rig())
    assert listener.view().tuner is None
