"""The pictures of the notebooks: that they show what they are given, and something at all."""

from dataclasses import replace

import numpy as np
import pytest

from tests.material.benches import demo_bench, demo_rig, pixels, scored
from thumbline.dsp.notebook.bleed_check import check_bleed
from thumbline.dsp.notebook.figures import WIDTH_PX, Picture
from thumbline.dsp.notebook.lanes import LanesPicture, picture_lanes
from thumbline.dsp.notebook.plots import (
    attack_levels,
    picture_bleed,
    picture_distributions,
    picture_latencies,
    picture_sweeps,
    picture_trade_off,
)
from thumbline.dsp.notebook.sweep import Sweep
from thumbline.dsp.notebook.trade_off import TradeOff
from thumbline.dsp.notebook.workbench import Workbench
from thumbline.dsp.rig.model import Rig
from thumbline.dsp.scoring.score import Latency

POINTS = (
    TradeOff(0.0, 1.0, 3.0, 5, 17.0, 0),
    TradeOff(10.0, 11.0, 13.0, 0, 0.0, 0),
    TradeOff(90.0, None, None, 0, 0.0, 9),
)
SWEPT = Sweep(
    "on_db", (1, 2, 3, 4, 5, 6), (-4.0, 0.0, 4.0), (0.9, 1.0, 0.4), (0.0, 0.0), (1, 0, 9), (0, 0, 0), (0.9, 1.0, 0.5)
)


def inked(picture: Picture) -> float:
    """Share of pixels that are neither white nor the paper's colour."""
    return float((pixels(picture.png).max(axis=2) < 0.9).mean())


def all_pictures() -> list[Picture]:
    bench = demo_bench()
    return [
        picture_distributions(bench.levels(), bench.rig, bench.known_notes),
        picture_bleed(check_bleed(bench.frames, bench.rig, bench.rate), bench.rig),
        picture_sweeps(
            [SWEPT, replace(SWEPT, setting="strictness", values=(0.5, 1.0, 2.0), plateau=(0.5, 1.0), now=1.0)],
            bench.rig,
        ),
        picture_trade_off(POINTS, "ms", 0.0),
        picture_latencies(scored(bench)),
        picture_lanes(bench, moment_s=3.0),
    ]


def test_every_picture_is_as_wide_as_the_others_and_shows_something() -> None:
    found = all_pictures()
    assert [pixels(each.png).shape[1] for each in found] == [WIDTH_PX] * len(found)
    assert all(inked(each) > 0.01 for each in found)
    assert all(each.alt for each in found)


def test_a_notebook_gets_the_picture_and_words_for_it() -> None:
    shown = picture_trade_off(POINTS, "ms", 0.0)
    data, metadata = shown._repr_mimebundle_()
    assert data["image/png"] == shown.png
    assert data["text/plain"] == shown.alt
    assert f' alt="{shown.alt}"' in data["text/html"]
    assert metadata == {"image/png": {"alt": shown.alt}}  # where nbconvert takes an image's alternative text from
    assert shown.alt == (
        "0 ms: 1.0 ms, 17.0 false per minute; 10 ms: 11.0 ms, 0.0 false per minute; 90 ms: never, 0.0 false per minute"
    )


def test_lanes_say_how_right_the_decisions_are() -> None:
    assert picture_lanes(demo_bench()).alt == (
        "Bass path 100.00 % right against the notes that were played; never wrong; 0 notes missed, 0 false"
    )
    wrong = picture_lanes(demo_bench(), demo_rig(on_db=30.0))
    assert "wrong for 0.48 s, at 1 place" in wrong.alt


def test_a_lane_picture_that_is_drawn_again_keeps_nothing_of_the_last_one() -> None:
    bench = demo_bench()
    lanes = LanesPicture(bench.rig, bench.levels(), bench.seconds)
    first = lanes.draw(bench.decisions(), bench.reference, 5.0)
    other = lanes.draw(bench.decisions(demo_rig(on_db=-33.0)), bench.reference, 9.0)
    again = lanes.draw(bench.decisions(), bench.reference, 5.0)
    np.testing.assert_array_equal(pixels(first.png), pixels(again.png))
    assert (pixels(first.png) != pixels(other.png)).any(axis=2).sum() > 2000


def test_the_moment_is_a_dark_line_at_its_time() -> None:
    bench = demo_bench()
    plain, marked = (pixels(picture_lanes(bench, moment_s=at).png) for at in (None, bench.seconds / 2))
    columns = np.flatnonzero((plain != marked).any(axis=2).sum(axis=0) > 300)
    assert columns.mean() == pytest.approx((92 + WIDTH_PX - 84) / 2, abs=2)


def test_attacks_are_the_loudest_of_each_notes_beginning() -> None:
    bench = demo_bench()
    notes = [note for note in bench.known_notes if note.string == 6]
    attacks = attack_levels(bench.levels(), notes, 5)
    assert len(attacks) == len(notes)
    assert (attacks > bench.rig.detect.on_db[5]).all()  # pyright: ignore[reportOperatorIssue]  numbers: it is complete


@pytest.mark.parametrize("strings", [4, 10])
def test_guitars_with_few_or_many_strings_and_silence_are_drawn(strings: int) -> None:
    names = ["E4", "B3", "G3", "D3", "A2", "E2", "B1", "F#1", "E1", "D1"][:strings]

    detect = {"on_db": [-50.0] * strings, "off_db": [-60.0] * strings, "level_db": [-25.0] * strings}
    rig = Rig.model_validate({"instrument": {"strings": names}, "detect": detect, "input": {"mains_hz": "off"}})
    bench = Workbench("silence", np.zeros((24_000, strings)), 48_000, rig)
    for shown in (
        picture_lanes(bench, moment_s=0.1),
        picture_distributions(bench.levels(), rig, bench.known_notes),
        picture_bleed(check_bleed(bench.frames, rig, bench.rate), rig),
        picture_latencies(scored(bench)),
    ):
        assert inked(shown) > 0.005


def test_a_rig_that_leaves_its_thresholds_open_has_no_lines_for_them() -> None:
    bench = demo_bench()
    drawn, plain = (
        LanesPicture(rig, bench.levels(), bench.seconds).draw(replace(bench.decisions(), rig=rig), bench.reference)
        for rig in (bench.rig, Rig())
    )
    assert (pixels(drawn.png) != pixels(plain.png)).any(axis=2).sum() > 2000
    right = pixels(plain.png)[:, WIDTH_PX - 78 :]
    assert (right.min(axis=2) > 0.9).all(), "nor are their values written beside the lanes"


def test_a_take_too_short_for_a_level_has_lanes_all_the_same() -> None:
    bench = Workbench("moment", np.zeros((8, 6)), 48_000, demo_bench().rig)
    assert len(bench.levels().times_s) == 0
    assert inked(picture_lanes(bench)) > 0.005


def test_a_note_after_the_end_of_the_take_has_no_attack() -> None:
    bench = demo_bench()
    late = replace(bench.known_notes[0], onset_s=bench.seconds + 1.0, offset_s=bench.seconds + 2.0)
    assert len(attack_levels(bench.levels(), [bench.known_notes[0], late], 0)) == 1


def test_strings_that_were_swept_alone_are_named_above_the_sweep() -> None:
    rig = demo_bench().rig
    every, two = (picture_sweeps([replace(SWEPT, strings=strings)], rig) for strings in ((1, 2, 3, 4, 5, 6), (5, 6)))
    changed = np.flatnonzero((pixels(every.png) != pixels(two.png)).any(axis=2).any(axis=1))
    assert len(changed)
    assert changed.max() - changed.min() < 40, "one line of words"


def test_latencies_share_an_axis_that_a_slow_one_does_not_stretch() -> None:
    found = scored(demo_bench())
    slow = Latency((*[2.0] * 40, 900.0), 0)
    alt = picture_latencies(replace(found, after_a_pluck=slow)).alt
    assert alt.startswith("After a pluck: median 2.0 ms of 41, 1 longer than ")
    assert int(alt.split("longer than ")[1].split(" ms")[0]) < 100
