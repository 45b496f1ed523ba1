"""A first look at a take: what is measured, and that what the rig states is never overruled."""

from collections.abc import Callable, Iterator, Mapping

import numpy as np
import pytest
from numpy.typing import NDArray

from thumbline.dsp.calibration.survey import complete, survey
from thumbline.dsp.rig.model import Rig
from thumbline.dsp.synthetic.demo_score import STRINGS
from thumbline.dsp.synthetic.model_take import add_bleed, bleed_matrix, hiss, hum, render_string
from thumbline.dsp.synthetic.string_model import Pluck

RATE = 24_000
FLOOR_DB, MAINS_HZ = -80.0, 50.04
BLEED = bleed_matrix(6, -24.0, 8.0, np.random.default_rng(1)).round(4)


def rig(**sections: Mapping[str, object]) -> Rig:
    return Rig.model_validate(sections)


def make_take() -> NDArray[np.float64]:
    """Frames (n, 6): a second of silence, then each open string twice, with bleed, hum and hiss."""
    rng = np.random.default_rng(2)
    seconds = 1.0 + 12 * 0.7 + 0.5
    frames = round(seconds * RATE)
    strings = np.zeros((frames, 6))
    for string in range(1, 7):
        start = 1.0 + 1.4 * (6 - string)
        midi = STRINGS[string].open_midi
        plucks = [Pluck(start, midi, start + 0.6, 0.8), Pluck(start + 0.7, midi, start + 1.3, 0.8)]
        strings[:, string - 1] = render_string(STRINGS[string], plucks, frames, RATE, rng)[0]
    take = add_bleed(strings, BLEED)
    return take + hum(frames, 6, RATE, -60.0, MAINS_HZ, rng) + hiss(frames, 6, FLOOR_DB, rng)


TAKE = make_take()


def blocks_of(take: NDArray[np.float64], size: int = 5000) -> Callable[[], Iterator[NDArray[np.float64]]]:
    return lambda: (take[i : i + size] for i in range(0, len(take), size))


def test_everything_that_is_left_open_is_measured() -> None:
    found = survey(blocks_of(TAKE), Rig(), RATE)
    assert found.mains_hz == pytest.approx(MAINS_HZ, abs=0.02)
    # Below half the analysis rate lies about half of the hiss.
    assert np.abs(found.floor_db - FLOOR_DB).max() < 6.0
    assert np.abs(found.bleed - BLEED).max() < 0.005
    assert found.played.all()
    assert (found.level_db > found.on_db).all()
    assert (found.on_db > found.off_db).all()
    assert (found.off_db > found.floor_db).all()


def test_levels_are_those_of_the_notes() -> None:
    """Rms of the loudest quarter second of each clean string, within 4 dB."""
    found = survey(blocks_of(TAKE), Rig(), RATE)
    for s in range(6):
        start = round((1.02 + 1.4 * (5 - s)) * RATE)
        rms_db = 10.0 * np.log10(np.mean(TAKE[start : start + RATE // 4, s] ** 2))
        assert found.level_db[s] == pytest.approx(rms_db, abs=4.0)


def without_rests(floor_db: float) -> NDArray[np.float64]:
    """Frames (n, 6): ten seconds of notes on string 6 that ring until the next one, but for one rest of a tenth."""
    frames = 10 * RATE
    rng = np.random.default_rng(4)
    plucks = [Pluck(0.5 * i, STRINGS[6].open_midi + i % 5, 0.5 * i + (0.4 if i == 9 else 0.5), 0.8) for i in range(20)]
    take = hiss(frames, 6, floor_db, rng)
    take[:, 5] += render_string(STRINGS[6], plucks, frames, RATE, rng)[0]
    return np.asarray(take, np.float64)


@pytest.mark.parametrize("floor_db", [-80.0, -65.0])
def test_notes_that_ring_all_through_a_take_are_not_its_noise(floor_db: float) -> None:
    take = without_rests(floor_db)
    found = survey(blocks_of(take), Rig(), RATE)
    blocks = take[: len(take) // 480 * 480, 5].reshape(-1, 480)
    twentieth_db = 10.0 * np.log10(np.percentile(np.mean(blocks**2, axis=1), 5.0))
    assert twentieth_db > floor_db + 20.0, "or the take rests after all"
    # Below half the analysis rate lies half of the hiss; 3 dB are allowed for.
    assert abs(found.floor_db[5] - floor_db) < 4.0
    assert found.played[5]


def test_digital_silence_is_not_the_floor_of_a_take() -> None:
    cut = TAKE.copy()
    cut[: RATE // 10] = 0.0
    straight, found = survey(blocks_of(TAKE), Rig(), RATE), survey(blocks_of(cut), Rig(), RATE)
    np.testing.assert_allclose(found.floor_db, straight.floor_db, atol=0.5)


def test_a_fade_in_or_out_is_not_the_floor_of_a_take() -> None:
    ramp = np.linspace(0.0, 1.0, round(0.9 * RATE))
    faded = TAKE.copy()
    faded[: len(ramp)] *= ramp[:, None]
    faded[-len(ramp) :] *= ramp[::-1, None]
    straight, found = survey(blocks_of(TAKE), Rig(), RATE), survey(blocks_of(faded), Rig(), RATE)
    np.testing.assert_allclose(found.floor_db, straight.floor_db, atol=1.5)


def test_levels_follow_the_gain() -> None:
    loud, soft = (survey(blocks_of(gain * TAKE), Rig(), RATE) for gain in (1.0, 0.25))
    np.testing.assert_allclose(loud.level_db - soft.level_db, 12.04, atol=0.1)
    np.testing.assert_allclose(loud.floor_db - soft.floor_db, 12.04, atol=0.1)
    np.testing.assert_allclose(loud.bleed, soft.bleed, atol=1e-3)


def test_the_size_of_blocks_does_not_matter() -> None:
    some, other = (survey(blocks_of(TAKE, size), Rig(), RATE) for size in (1777, len(TAKE)))
    np.testing.assert_allclose(some.floor_db, other.floor_db, atol=1e-6)
    np.testing.assert_allclose(some.bleed, other.bleed, atol=1e-6)


STATED = {
    "floor_db": [-70.0, -71.0, -72.0, -73.0, -74.0, -75.0],
    "level_db": [-20.0, -21.0, -22.0, -23.0, -24.0, -25.0],
    "on_db": [-41.0, -42.0, -43.0, -44.0, -45.0, -46.0],
    "off_db": [-61.0, -62.0, -63.0, -64.0, -65.0, -66.0],
}


@pytest.mark.parametrize("key", STATED)
def test_a_level_that_the_rig_states_is_kept(key: str) -> None:
    stated = rig(detect={key: STATED[key]})
    kept = complete(stated, survey(blocks_of(TAKE), stated, RATE)).detect
    assert getattr(kept, key) == tuple(STATED[key])
    assert all(not isinstance(getattr(kept, other), str) for other in STATED)


@pytest.mark.parametrize("matrix", ["off", BLEED.tolist()], ids=["off", "stated"])
def test_bleed_that_the_rig_states_is_kept(matrix: object) -> None:
    stated = rig(bleed={"matrix": matrix})
    kept = complete(stated, survey(blocks_of(TAKE), stated, RATE)).bleed.matrix
    assert kept == (matrix if isinstance(matrix, str) else tuple(map(tuple, BLEED.tolist())))


@pytest.mark.parametrize("mains_hz", ["off", 59.9])
def test_mains_that_the_rig_states_are_kept(mains_hz: object) -> None:
    stated = rig(input={"mains_hz": mains_hz})
    assert complete(stated, survey(blocks_of(TAKE), stated, RATE)).input.mains_hz == mains_hz


def test_all_else_of_the_rig_stays_as_it_was() -> None:
    stated = rig(choice={"shortest_ms": 12.0}, bass={"interval": -7}, instrument={"a4_hz": 442.0})
    full = complete(stated, survey(blocks_of(TAKE), stated, RATE))
    assert (full.choice, full.bass, full.instrument, full.mutes) == (
        stated.choice,
        stated.bass,
        stated.instrument,
        stated.mutes,
    )


def test_a_complete_rig_is_not_changed_by_another_survey() -> None:
    full = complete(Rig(), survey(blocks_of(TAKE), Rig(), RATE))
    assert complete(full, survey(blocks_of(0.1 * TAKE), full, RATE)) == full


def test_the_take_is_read_at_most_twice() -> None:
    readings: list[int] = []

    def counted() -> Iterator[NDArray[np.float64]]:
        readings.append(1)
        yield from blocks_of(TAKE)()

    survey(counted, Rig(), RATE)
    assert len(readings) == 2
    readings.clear()
    survey(counted, rig(input={"mains_hz": "off"}), RATE)
    assert len(readings) == 1


def test_a_string_that_is_not_played_gets_the_level_of_the_others() -> None:
    silent = TAKE.copy()
    silent[:, 2] = hiss(len(silent), 1, FLOOR_DB, np.random.default_rng(3))[:, 0]
    found = survey(blocks_of(silent), Rig(), RATE)
    assert found.played.tolist() == [True, True, False, True, True, True]
    assert found.level_db[2] == np.median(np.delete(found.level_db, 2))


@pytest.mark.parametrize("frames", [0, 1, 100, RATE // 10, RATE])
def test_silence_however_short_gives_a_usable_rig(frames: int) -> None:
    found = survey(blocks_of(np.zeros((frames, 6))), Rig(), RATE)
    assert not found.played.any()
    full = complete(Rig(), found)
    on_db, off_db = full.detect.on_db, full.detect.off_db
    assert all(float(on) > float(off) for on, off in zip(on_db, off_db, strict=True))
    np.testing.assert_array_equal(full.bleed.matrix, np.eye(6))


@pytest.mark.parametrize("channel_order", [[6, 5, 4, 3, 2, 1], [2, 1, 3, 4, 6, 5]])
def test_values_go_by_string_not_by_channel(channel_order: list[int]) -> None:
    straight = survey(blocks_of(TAKE), Rig(), RATE)
    scrambled = np.empty_like(TAKE)
    scrambled[:, np.array(channel_order) - 1] = TAKE
    found = survey(blocks_of(scrambled), rig(input={"channels": channel_order}), RATE)
    np.testing.assert_allclose(found.level_db, straight.level_db, atol=1e-6)
    np.testing.assert_allclose(found.bleed, straight.bleed, atol=1e-6)


def test_of_a_long_take_every_second_or_fourth_block_says_as_much(monkeypatch: pytest.MonkeyPatch) -> None:
    whole = survey(blocks_of(TAKE), Rig(), RATE)
    monkeypatch.setattr("thumbline.dsp.calibration.survey.MOST_BLOCKS", 100)
    found = survey(blocks_of(TAKE), Rig(), RATE)
    assert not np.array_equal(found.floor_db, whole.floor_db), "or no block was left out"
    np.testing.assert_allclose(found.floor_db, whole.floor_db, atol=2.0)
    np.testing.assert_allclose(found.level_db, whole.level_db, atol=2.0)
    np.testing.assert_allclose(found.bleed, whole.bleed, atol=0.01)
