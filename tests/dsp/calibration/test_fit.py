"""A rig that was measured on another guitar is told from the right one, and nothing else is."""

import os
from collections.abc import Iterator
from itertools import islice
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from tests.helpers.places import DATA
from thumbline.cli.console.rig_fit import FitCheck, misfit_of
from thumbline.dsp.calibration.fit import misfit
from thumbline.dsp.calibration.survey import Survey, block_moments, complete, floor_power, survey, with_values
from thumbline.dsp.files.takes import open_take
from thumbline.dsp.rig.file import load_rig
from thumbline.dsp.rig.model import Rig
from thumbline.dsp.synthetic.model_take import bleed_matrix

_place = os.environ.get("THUMBLINE_RECORDINGS", "")
TAKES = Path(_place) / "takes"
needs_recordings = pytest.mark.skipif(not _place, reason="THUMBLINE_RECORDINGS does not name the folder of recordings")
#: Which open strings are of the guitar of which takes, as the README of the recordings has it.
GUITARS = {
    1: ("funk_comp", "jazz_comp"),
    2: ("rock_solo", "bossa_comp"),
    3: ("archtop_comp", "archtop_solo", "archtop_thumb", "archtop_palm"),
    4: ("palm_thumb",),
    5: ("muted_thumb",),
}


def heard_in(name: str, most: int | None = None) -> tuple[Survey, NDArray[np.float64]]:
    """What a take, or its first ``most`` blocks, says of the guitar, and its moments."""
    rig = Rig()
    with open_take(TAKES / f"{name}.flac", rig.string_count, rig.input.channels, rig.instrument.strings) as take:

        def blocks() -> Iterator[NDArray[np.float64]]:
            return islice(take.blocks(1 << 15), most)

        found = survey(blocks, rig, take.sample_rate)
        mains = with_values(rig, mains_hz=found.mains_hz)
        return found, block_moments(blocks(), mains, take.sample_rate, found.hum)


@pytest.fixture(scope="module")
def rigs() -> dict[int, Rig]:
    return {guitar: complete(Rig(), heard_in(f"open_strings_{guitar}")[0]) for guitar in GUITARS}


@needs_recordings
@pytest.mark.parametrize(("guitar", "take"), [(guitar, take) for guitar, takes in GUITARS.items() for take in takes])
def test_the_rig_of_the_guitar_fits_its_takes_and_that_of_no_other_does(
    rigs: dict[int, Rig], guitar: int, take: str
) -> None:
    _, heard = heard_in(take, 12)
    floor = floor_power(np.einsum("bii->bi", heard))
    said = {of: misfit(heard, floor, rig) for of, rig in rigs.items()}
    assert said.pop(guitar) == ""
    assert len(said) == 4
    assert all("bleed into one another as on another guitar" in words for words in said.values())


def test_the_demo_take_fits_its_rig_and_in_a_process_of_its_own_not_one_with_other_bleed() -> None:
    rig = load_rig(DATA / "demo.toml")
    assert FitCheck("", rig).look(begun=True) is None
    assert misfit_of(DATA / "demo.flac", rig) == ""
    other = bleed_matrix(6, -22.0, 8.0, np.random.default_rng(5)).round(5).tolist()
    check = FitCheck(str(DATA / "demo.flac"), rig.changed({"bleed.matrix": other}))
    assert check.look(begun=False) is None
    notice = check.look(begun=True, wait_s=180.0)
    check.stop()
    assert notice is not None
    assert "does not fit this take: the strings bleed into one another as on another guitar" in str(notice)
    assert check.look(begun=True) is None


def moments(strings: NDArray[np.float64], bleed: NDArray[np.float64]) -> NDArray[np.float64]:
    """Blocks in which strings of these powers (blocks, n), independent of one another, are mixed."""
    return np.einsum("ij,bj,kj->bik", bleed, strings, bleed)


def test_soft_playing_a_quiet_room_and_what_is_left_to_auto_say_nothing() -> None:
    rng = np.random.default_rng(1)
    floor, bleed = np.full(6, 1e-9), np.asarray(bleed_matrix(6, -26.0, 8.0, rng), np.float64)
    strings = np.full((400, 6), 1e-9)
    strings[np.arange(400), np.arange(400) % 6] = 10.0 ** rng.uniform(-5.0, -2.5, 400)
    heard = moments(strings, bleed)
    detect = {"floor_db": [-84.0] * 6, "level_db": [-25.0] * 6, "on_db": [-50.0] * 6, "off_db": [-66.0] * 6}
    rig = Rig.model_validate({"detect": detect, "bleed": {"matrix": bleed.tolist()}})
    assert misfit(heard, floor, rig) == ""
    assert misfit(0.1 * heard, 0.1 * floor, rig) == ""
    assert misfit(heard, floor, Rig()) == ""
    assert misfit(heard[:0], floor, rig) == ""
    assert "its noise is 16 dB louder" in misfit(heard, floor, rig.changed({"detect.floor_db": (-106.0,) * 6}))
    assert "its notes are" in misfit(1e-3 * heard, 1e-3 * floor, rig.changed({"detect.floor_db": (-115.0,) * 6}))
