"""Beats that a listener taps, halves, moves and counts anew on the page, and what the program reads of them."""

from collections.abc import Iterator
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest

from tests.helpers.system_parts import need
from tests.material.practice_folder import BEATS_S, PAGE, SECONDS, make_folder, write_page_of
from thumbline.dsp.beats.tempo import beats_from_taps, read_taps


@pytest.fixture(scope="module")
def page(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Any]:
    program = need("chromium")
    playwright = pytest.importorskip("playwright.sync_api", reason="needs playwright")
    folder = tmp_path_factory.mktemp("practice")
    write_page_of(folder, make_folder(folder))
    with playwright.sync_playwright() as run:
        chromium = run.chromium.launch(executable_path=program, args=["--no-sandbox"])
        page = chromium.new_page()
        page.goto((folder / PAGE).as_uri())
        page.wait_for_function("!document.getElementById('play').disabled", timeout=20_000)
        yield page
        chromium.close()


@pytest.fixture(autouse=True)
def as_found(page: Any) -> None:
    page.evaluate("practice.meter.reset()")


def times(page: Any) -> list[float]:
    return page.evaluate("practice.meter.beats.map(([time]) => time)")


def test_three_taps_make_a_strict_grid_over_the_whole_take(page: Any) -> None:
    for tap in (1.013, 1.598, 2.189, 2.8):  # unsteady by some 10 ms; the line through them rises by 0.5952
        page.evaluate(f"practice.meter.tap({tap})")
    beats = times(page)
    steps = [after - before for before, after in pairwise(beats)]
    assert steps == pytest.approx([0.5952] * len(steps), abs=1e-6)
    assert 0.0 <= beats[0] < 0.5952
    assert SECONDS - 0.5952 < beats[-1] <= SECONDS
    assert min(abs(beat - 1.9) for beat in beats) == pytest.approx(0.2976, abs=1e-3)  # taps lie about the beats
    assert "yours" in page.inner_text("#facts")


def test_a_tap_long_after_the_last_one_begins_anew(page: Any) -> None:
    before = times(page)
    for tap in (0.5, 1.0, 4.5):
        page.evaluate(f"practice.meter.tap({tap})")
    assert times(page) == before


def test_half_twice_and_nudge(page: Any) -> None:
    before = times(page)
    page.get_by_role("button", name="Twice as fast").click()
    assert len(times(page)) == 2 * len(before) - 1
    assert times(page)[::2] == pytest.approx(before)
    page.get_by_role("button", name="Half as fast").click()
    assert times(page) == pytest.approx(before)
    page.get_by_role("button", name="Later").click()
    assert times(page) == pytest.approx([time + 0.01 for time in before])
    page.get_by_role("button", name="As found").click()
    assert times(page) == before


def test_this_is_one_counts_bars_from_there(page: Any) -> None:
    third = times(page)[2]
    page.evaluate(f"practice.meter.one({third + 0.05})")
    rows = page.evaluate("practice.meter.beats")
    assert rows[2][1:] == [1, 1]
    assert rows[1][1:] == [0, 4]
    assert rows[6][1:] == [2, 1]


def test_what_the_page_saves_is_what_the_program_reads(page: Any, tmp_path: Path) -> None:
    page.evaluate(f"practice.meter.one({BEATS_S[1]})")
    with page.expect_download() as saved:
        page.get_by_role("button", name="Save as taps.txt").click()
    file = tmp_path / saved.value.suggested_filename
    saved.value.save_as(file)
    taps = read_taps(file)
    assert taps == pytest.approx(BEATS_S[1:], abs=1e-4)
    beats = beats_from_taps(taps, SECONDS, 4, None)
    assert beats.first_bar_s == pytest.approx(BEATS_S[1], abs=1e-4)
