"""Bleed before and after it is taken out, on mixtures that are known."""

import json

import numpy as np
import pytest

from tests.helpers.places import DATA
from tests.material.benches import demo_bench
from thumbline.dsp.notebook.bleed_check import LEAST_DB, check_bleed, in_db, worst_db
from thumbline.dsp.notebook.workbench import open_workbench


@pytest.fixture(scope="module")
def true_bleed() -> np.ndarray:
    return np.array(json.loads((DATA / "demo.json").read_text("utf-8"))["bleed"])


def test_the_demos_bleed_is_found_before_and_is_gone_after(true_bleed: np.ndarray) -> None:
    bench = open_workbench(DATA / "demo_open_strings.flac", rig=DATA / "demo.toml")
    found = check_bleed(bench.frames, bench.rig, bench.rate)
    np.testing.assert_allclose(found.before, true_bleed, atol=0.002)
    assert found.worst_before_db == pytest.approx(worst_db(true_bleed), abs=0.3)
    assert found.worst_after_db < found.worst_before_db - 40.0
    assert found.played.all()


def test_with_bleed_left_in_nothing_changes() -> None:
    bench = demo_bench()
    found = check_bleed(bench.frames, bench.rig.changed({"bleed.matrix": "off"}), bench.rate)
    np.testing.assert_array_equal(found.before, found.after)


def test_a_wrong_matrix_is_seen_in_what_is_left(true_bleed: np.ndarray) -> None:
    bench = demo_bench()
    wrong = true_bleed.copy()
    wrong[4, 5] += 0.1
    bleed = bench.rig.bleed.model_copy(update={"matrix": tuple(map(tuple, wrong.tolist()))})
    found = check_bleed(bench.frames, bench.rig.model_copy(update={"bleed": bleed}), bench.rate)
    assert found.after[4, 5] == pytest.approx(-0.1, abs=0.02)


def test_levels_of_bleed_are_amplitudes_in_db() -> None:
    np.testing.assert_allclose(in_db(np.array([[1.0, -0.1], [0.0, 1.0]])), [[0.0, -20.0], [LEAST_DB, 0.0]])
    assert worst_db(np.array([[1.0, -0.1], [0.05, 1.0]])) == pytest.approx(-20.0)
