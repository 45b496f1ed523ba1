"""How far a threshold may be off."""

from typing import Literal

import numpy as np
import pytest

from tests.material.benches import demo_bench, demo_rig
from thumbline.dsp.notebook.lanes import picture_lanes
from thumbline.dsp.notebook.sweep import Sweep, sweep_setting
from thumbline.dsp.notebook.workbench import Workbench
from thumbline.dsp.refine.plateau import plateau
from thumbline.dsp.rig.adjustment import Adjustment, adjusted
from thumbline.dsp.scoring.truth import TrueNote

OFFSETS = (-4.0, -2.0, 0.0, 2.0, 4.0, 6.0)


@pytest.mark.parametrize(
    ("right", "ends"),
    [
        ((0.5, 0.99, 1.0, 0.997, 0.8, 0.2), (0.0, 2.0)),  # 0.99 is a whole hundredth less
        ((1.0, 1.0, 1.0, 1.0, 1.0, 1.0), (-4.0, 6.0)),
        ((1.0, 0.5, 1.0, 0.5, 1.0, 1.0), (0.0, 0.0)),  # the one that holds 0, though another is wider
        ((1.0, 0.5, 0.5, 0.5, 1.0, 1.0), (4.0, 6.0)),  # the widest, if none holds 0
        ((1.0, 0.5, 0.5, 0.5, 0.5, 1.0), (-4.0, -4.0)),  # of equals the nearest
        ((0.2, 0.3, 0.4, 0.5, 0.6, 0.7), (6.0, 6.0)),
    ],
)
def test_the_plateau_is_where_it_is_as_good_as_it_gets(right: tuple[float, ...], ends: tuple[float, float]) -> None:
    assert plateau(OFFSETS, right) == ends


def test_a_sweep_is_the_decisions_with_each_offset() -> None:
    found = sweep_setting(demo_bench(), "on_db", values=(32.0, 0.0, -36.0))
    assert found.values == (-36.0, 0.0, 32.0)
    assert found.right == tuple(demo_bench().decisions(demo_rig(on_db=db)).right for db in found.values)
    assert found.plateau == (0.0, 0.0)
    assert found.right[1] == 1.0
    assert found.in_words == "harmless: 0 dB lower, 0 dB higher"


def test_notes_of_all_strings_count_and_a_narrow_best_is_not_moved_to() -> None:
    found = sweep_setting(demo_bench(), "on_db", values=(0.0, 32.0))
    assert found.missed == tuple(len(demo_bench().decisions(demo_rig(on_db=db)).missed) for db in (0.0, 32.0))
    assert found.missed[1] > found.missed[0] == 0
    assert found.notes_in_words == "0 notes missed, 0 false as it is; 0 in all at best"
    narrow = Sweep("on_db", (1,), (-4.0, 0.0, 4.0), (0.9, 0.9, 1.0), (4.0, 4.0))
    assert narrow.in_words == "best at +4 to +4 dB, which is too narrow to move to"


def test_strictness_is_swept_by_its_own_values_and_set_to_what_is_best() -> None:
    """The demo holds soft notes; a rig that asks ten times as much misses some, and is told what to set."""
    strict = adjusted(demo_bench().rig, Adjustment(strictness=8.0))
    found = sweep_setting(demo_bench(), "strictness", rig=strict, values=(0.5, 1.0, 2.0, 4.0))
    assert found.values == (0.5, 1.0, 2.0, 4.0, 8.0)
    assert found.now == 8.0
    assert found.missed[-1] > found.missed[1] == 0
    assert found.recommended == 1.0
    assert found.in_words.endswith(": set it to 1")
    best = sweep_setting(demo_bench(), "strictness", values=(0.9, 1.1))
    assert best.recommended is None
    assert best.in_words == "leave it at 1: anything from 0.9 to 1.1 is as good"


@pytest.mark.parametrize(
    ("plateau", "recommended"), [((0.1, 0.2), 0.14), ((0.1, 0.1), None), ((0.5, 2.0), 1.0), ((2.0, 8.0), None)]
)
def test_a_plateau_of_strictness_has_a_middle_by_its_ratio_and_a_width(
    plateau: tuple[float, float], recommended: float | None
) -> None:
    assert Sweep("strictness", (1,), (0.1, 0.2, 8.0), (1.0, 1.0, 0.5), plateau, now=8.0).recommended == recommended


@pytest.mark.parametrize("setting", ["proof_ms", "shortest_ms"])
def test_proof_and_hold_are_swept_too(setting: Literal["proof_ms", "shortest_ms"]) -> None:
    found = sweep_setting(demo_bench(), setting, values=(0.0, 200.0 if setting == "shortest_ms" else 60.0))
    assert found.values[0] == found.now == 0.0
    assert max(found.right) == found.right[0] == 1.0
    assert found.in_words.startswith("leave it at 0 ms: anything from 0 to ")
    assert found.in_words.endswith(" (but later by as much)") == (setting == "proof_ms")


def test_only_the_strings_that_are_named_move() -> None:
    found = sweep_setting(demo_bench(), "on_db", strings=[1], values=(0.0, 36.0))
    everything = sweep_setting(demo_bench(), "on_db", values=(0.0, 36.0))
    assert everything.right[1] < found.right[1] < 1.0


def test_with_bleed_left_in_the_calibrated_threshold_is_off_the_plateau() -> None:
    found = sweep_setting(
        demo_bench(), "on_db", rig=demo_bench().rig.changed({"bleed.matrix": "off"}), values=(-8.0, 0.0, 16.0, 24.0)
    )
    assert found.plateau == (16.0, 24.0)
    assert found.in_words == "off the plateau, which lies at +16 to +24 dB: move it by +20 dB"


def test_a_plateau_that_reaches_the_end_of_what_was_tried_may_reach_further() -> None:
    found = Sweep("off_db", (1,), (-4.0, 0.0, 4.0), (1.0, 1.0, 0.5), (-4.0, 0.0))
    assert found.in_words == "harmless: 4 dB or more lower, 0 dB higher"


def test_offsets_without_the_rigs_own_place_are_refused() -> None:
    with pytest.raises(ValueError, match="0 among them"):
        sweep_setting(demo_bench(), "on_db", values=(-3.0, 3.0))


def test_a_threshold_is_not_swept_past_the_other_one() -> None:
    found = sweep_setting(demo_bench(), "off_db", values=(-8.0, 0.0, 12.0, 16.0, 24.0))
    assert found.values == (-8.0, 0.0, 12.0)  # off lies 16 dB below on


def test_a_truth_that_leaves_every_moment_open_cannot_be_swept() -> None:
    fading = [TrueNote(6, 40.0, 0.0, 0.2, 0.0, 5.0)]
    bench = Workbench("fading", np.zeros((24_000, 6)), 48_000, demo_bench().rig, truth=fading)
    assert picture_lanes(bench).alt == "0 bass notes; none to compare them with; 1 note missed, 0 false"
    with pytest.raises(ValueError, match="the truth leaves every moment open"):
        sweep_setting(bench, "on_db", values=(0.0, 2.0))
