"""The search for thresholds, on takes whose accuracy is a known function of the rig."""

from collections.abc import Callable

import numpy as np
import pytest

from thumbline.dsp.refine import search as threshold_search
from thumbline.dsp.refine.known_takes import KnownTake, Outcome
from thumbline.dsp.refine.search import Share, Trials, search, shifted, sweep
from thumbline.dsp.rig.model import Rig
from thumbline.dsp.scoring.true_bass import TrueBass

N = 6


def rig_of(on_db: float, off_db: float = -70.0, bleed: str | None = None) -> Rig:
    matrix = bleed or tuple(tuple(1.0 if i == j else 0.05 for j in range(N)) for i in range(N))
    return Rig.model_validate({"detect": {"on_db": [on_db] * N, "off_db": [off_db] * N}, "bleed": {"matrix": matrix}})


def take() -> KnownTake:
    return KnownTake("pier", np.zeros((0, N), np.float32), 48_000, TrueBass([]))


def counts(accuracy: float) -> Outcome:
    right = round(1000 * accuracy)
    return Outcome(np.array([[1000, right, *[1000, right, 1000 - right] * 2]] * 4))


@pytest.fixture
def accurate(monkeypatch: pytest.MonkeyPatch) -> Callable[[Callable[[Rig], float]], None]:
    """Return a function that makes every take's accuracy a function of the rig."""

    def give(of_rig: Callable[[Rig], float]) -> None:
        monkeypatch.setattr(threshold_search, "outcome", lambda rig, _: counts(of_rig(rig)))

    return give


def on_db(rig: Rig) -> np.ndarray:
    assert not isinstance(rig.detect.on_db, str)
    return np.array(rig.detect.on_db)


def found(start: Rig, measured: Rig) -> tuple[Rig, list[str]]:
    steps: list[str] = []
    return search(start, measured, Trials([take()]), [Share(0)], steps.append), steps


def test_a_rig_in_the_middle_of_its_plateau_is_left_as_it_is(
    accurate: Callable[[Callable[[Rig], float]], None],
) -> None:
    accurate(lambda rig: 0.99 if (np.abs(on_db(rig) + 50.0) < 13.0).all() else 0.8)
    start = rig_of(-50.0)
    rig, steps = found(start, start)
    assert rig == start
    assert all("left as they are" in step for step in steps)


def test_thresholds_at_the_edge_of_their_plateau_move_to_its_middle(
    accurate: Callable[[Callable[[Rig], float]], None],
) -> None:
    accurate(lambda rig: 0.99 if ((on_db(rig) > -61.0) & (on_db(rig) < -39.0)).all() else 0.8)
    rig, _ = found(rig_of(-60.0), rig_of(-60.0))
    assert on_db(rig) == pytest.approx(np.full(N, -50.0), abs=2.0)


def test_thresholds_off_the_plateau_find_it(accurate: Callable[[Callable[[Rig], float]], None]) -> None:
    accurate(lambda rig: 0.99 if (np.abs(on_db(rig) + 50.0) < 5.0).all() else 0.8)
    rig, _ = found(rig_of(-62.0, -100.0), rig_of(-62.0, -100.0))
    assert (np.abs(on_db(rig) + 50.0) < 5.0).all()


def test_a_lucky_best_is_no_plateau(accurate: Callable[[Callable[[Rig], float]], None]) -> None:
    accurate(lambda rig: 0.99 if (np.abs(on_db(rig) + 44.0) < 2.0).all() else 0.98)
    start = rig_of(-50.0)
    rig, steps = found(start, start)
    assert rig == start
    assert "too narrow a plateau to move to, left as they are" in steps[0]


def test_strictness_moves_where_that_gains(accurate: Callable[[Callable[[Rig], float]], None]) -> None:
    accurate(lambda rig: 0.99 if rig.detect.strictness < 0.8 else 0.9)
    rig, steps = found(rig_of(-50.0), rig_of(-50.0))
    assert rig.detect.strictness == 0.7
    assert steps[2] == "strictness 0.7: +9.00 points of accuracy"
    accurate(lambda rig: 0.99 if 0.6 < rig.detect.strictness < 0.8 else 0.9)  # the next one does not gain: luck
    assert found(rig_of(-50.0), rig_of(-50.0))[0].detect.strictness == 1.0


def test_strings_on_which_nothing_is_wrong_are_not_tried(monkeypatch: pytest.MonkeyPatch) -> None:
    tried: list[np.ndarray] = []

    def outcome(rig: Rig, _: KnownTake) -> Outcome:
        tried.append(on_db(rig))
        return Outcome(counts(0.9).counts, np.array([[0, 0, 3, 0, 0, 0]] * 4))

    monkeypatch.setattr(threshold_search, "outcome", outcome)
    found(rig_of(-50.0), rig_of(-50.0))
    single = [np.flatnonzero(each != -50.0).tolist() for each in tried if 0 < np.count_nonzero(each != -50.0) < N]
    assert single == [[2], [2]]


def test_what_is_measured_anew_is_taken_only_if_it_gains(accurate: Callable[[Callable[[Rig], float]], None]) -> None:
    accurate(lambda rig: 0.6 if rig.bleed.matrix == "off" else 0.99)
    measured = rig_of(-55.0)
    rig, steps = found(rig_of(-50.0, bleed="off"), measured)
    assert rig.bleed == measured.bleed
    assert on_db(rig).tolist() == [-50.0] * N
    assert steps[0] == "bleed measured anew: +39.00 points of accuracy"
    accurate(lambda _: 0.99)
    start = rig_of(-50.0, bleed="off")
    assert found(start, measured)[0] == start


def test_one_string_is_moved_where_that_finds_what_was_missed(
    accurate: Callable[[Callable[[Rig], float]], None],
) -> None:
    accurate(lambda rig: 0.99 if on_db(rig)[3] < -52.0 and (np.delete(on_db(rig), 3) > -52.0).all() else 0.9)
    rig, steps = found(rig_of(-50.0), rig_of(-50.0))
    assert on_db(rig).tolist() == [-50.0, -50.0, -50.0, -54.0, -50.0, -50.0]
    assert steps[-1] == "string 4, thresholds to begin: -4 dB, +9.00 points of accuracy"


def test_a_sweep_goes_on_until_something_is_lost_and_halves_the_last_step() -> None:
    accuracies = sweep(rig_of(-50.0), "on_db", lambda rig: 1.0 if (np.abs(on_db(rig) + 50.0) < 8.0).all() else 0.5)
    assert sorted(accuracies) == [-12.0, -9.0, -6.0, 0.0, 6.0, 9.0, 12.0]


def test_a_threshold_to_stop_stays_below_the_one_to_begin() -> None:
    rig = shifted(rig_of(-50.0, -55.0), "off_db", 18.0)
    assert not isinstance(rig.detect.off_db, str)
    assert all(off < on for off, on in zip(rig.detect.off_db, on_db(rig), strict=True))


def test_a_rig_is_tried_once_on_each_take(accurate: Callable[[Callable[[Rig], float]], None]) -> None:
    accurate(lambda _: 0.9)
    trials = Trials([take(), take()])
    for shares in ([Share(0)], [Share(0), Share(1)], [Share(1)]):
        trials.outcome(rig_of(-50.0), shares)
    assert trials.count == 2


def test_a_share_of_a_take_is_every_second_stretch() -> None:
    counted = Outcome(np.arange(56).reshape(7, 8))
    assert Share(0, (0, 2)).of(counted).counts[:, 0].tolist() == [0, 8, 32, 40]
    assert Share(0, (1, 2)).of(counted).counts[:, 0].tolist() == [16, 24, 48]
