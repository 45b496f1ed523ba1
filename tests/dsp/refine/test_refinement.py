"""Refining: what the gain is told by, its interval, and a rig that a search would harm."""

from collections.abc import Callable, Sequence

import numpy as np
import pytest

from thumbline.dsp.refine import refinement as refining
from thumbline.dsp.refine.gain import BETWEEN_TAKES, Interval, gains, one_take
from thumbline.dsp.refine.known_takes import KnownTake, Outcome
from thumbline.dsp.refine.refinement import refine
from thumbline.dsp.refine.search import Share, Trials
from thumbline.dsp.rig.model import Rig
from thumbline.dsp.scoring.true_bass import TrueBass

TAKES = [KnownTake(str(k), np.zeros((0, 6), np.float32), 48_000, TrueBass([])) for k in range(5)]
OLD, NEW = Rig(), Rig.model_validate({"choice": {"shortest_ms": 1.0}})


@pytest.fixture
def searched(monkeypatch: pytest.MonkeyPatch) -> list[list[Share]]:
    """Have each search return NEW and note what it searched on; right moments are 60 % before and 90 % after."""
    on: list[list[Share]] = []

    def search(rig: Rig, measured: Rig, trials: Trials, shares: Sequence[Share], tell: object = None) -> Rig:
        on.append(list(shares))
        return NEW

    def outcome(self: Trials, rig: Rig, shares: Sequence[Share]) -> Outcome:
        right = 60 if rig == OLD else 90
        return Outcome(np.array([[100, right, 10, 10, 0, 0, 0, 0]] * 6 * len(shares)))

    monkeypatch.setattr(refining, "search", search)
    monkeypatch.setattr(Trials, "outcome", outcome)
    return on


def run(takes: Sequence[KnownTake], **others: object) -> refining.Refined:
    return refine(OLD, takes, lambda _: NEW, **others)  # pyright: ignore[reportArgumentType]  optional arguments


def test_no_take_is_scored_with_a_rig_searched_on_it(searched: list[list[Share]]) -> None:
    found = run(TAKES)
    folds = [{share.take for share in shares} for shares in searched[1:]]
    assert searched[0] == [Share(k) for k in range(5)]
    held = [set(range(5)) - fold for fold in folds]
    assert set.union(*held) == set(range(5))
    assert sum(map(len, held)) == 5
    assert "each scored with a rig searched on others" in found.unseen


def test_takes_of_a_group_are_held_back_together(searched: list[list[Share]]) -> None:
    run(TAKES[:4], groups=((0, 2), (1, 3)))
    assert [{share.take for share in shares} for shares in searched[1:]] == [{1, 3}, {0, 2}]


def test_takes_set_apart_are_not_searched_on(searched: list[list[Share]]) -> None:
    found = run(TAKES[:2], apart=TAKES[2:])
    assert {share.take for shares in searched for share in shares} == {0, 1}
    assert found.unseen == "3 takes set apart"


def test_a_single_take_is_cut_into_pieces(searched: list[list[Share]]) -> None:
    run(TAKES[:1])
    assert searched[1:] == [[Share(0, (0, 2))], [Share(0, (1, 2))]]


@pytest.mark.usefixtures("searched")
def test_the_gain_has_an_interval_that_holds_it() -> None:
    found = run(TAKES)
    assert found.rig == NEW
    assert (found.path_right.value, found.f.value) == pytest.approx((0.3, 0.0))
    assert (found.path_right.low, found.path_right.high) == pytest.approx((0.3, 0.3))  # all pieces are alike
    assert found.accuracy.value == pytest.approx(0.1)


def gains_of(before: np.ndarray, after: np.ndarray) -> Interval:
    return gains([Outcome(before)], [Outcome(after)])[1]


def test_the_interval_covers_another_take_as_often_as_it_says() -> None:
    """Of 200 made-up pairs of takes, 95 % should; fewer than 90 % would be rarer than one in a hundred (binomial)."""
    rng = np.random.default_rng(5)
    held = sure = 0

    def made_up() -> list[np.ndarray]:
        gain = 0.05 * (1.0 + BETWEEN_TAKES * rng.standard_normal())  # takes differ
        rights = (rng.binomial(100, share, 40) for share in (0.85, 0.85 + gain))
        return [np.column_stack([np.full(40, 100), right, *[np.zeros(40, int)] * 6]) for right in rights]

    for _ in range(200):
        interval = gains_of(*made_up())
        before, after = (each[:, 1].sum() / each[:, 0].sum() for each in made_up())
        held += interval.low <= after - before <= interval.high
        sure += interval.sure <= 0.05
    assert 180 <= held < 200
    assert 180 <= sure < 200


def test_the_jackknife_of_a_mean_is_the_standard_error_that_books_give() -> None:
    """Efron and Tibshirani, "An Introduction to the Bootstrap" (1993), chapter 11: of a mean it is s / sqrt(n)."""
    right = np.array([3, 1, 4, 1, 5, 9, 2, 6])
    after = np.column_stack([np.full(8, 10), right, *[np.zeros(8, int)] * 6])
    before = after * [1, 0, *[1] * 6]
    found = gains_of(before, after)
    stretches = right.reshape(4, 2).sum(axis=1) / 20  # two pieces each
    error = np.hypot(stretches.std(ddof=1) / np.sqrt(4), BETWEEN_TAKES * stretches.mean())
    assert found.value == pytest.approx(stretches.mean())
    # Student's quantiles for 3 degrees of freedom at 0.95 and 0.975, as in any table.
    assert (found.value - found.sure) / error == pytest.approx(2.353, abs=1e-3)
    assert (found.value - found.low) / error == pytest.approx(3.182 * np.sqrt(2), abs=2e-3)


def test_a_take_too_short_for_two_stretches_is_sure_of_nothing() -> None:
    found = gains_of(*(np.array([[100, right, 0, 0, 0, 0, 0, 0]] * 2) for right in (10, 90)))
    assert (found.low, found.high, found.sure) == (-1.0, 1.0, -1.0)


def test_shares_of_a_take_keep_their_stretches_whole() -> None:
    pieces = np.arange(1, 8)[:, np.newaxis] * np.ones(8, int)
    held = [Share(0, (first, 2)).of(Outcome(pieces)) for first in (1, 0)]
    assert one_take(held).counts[:, 0].tolist() == [3, 4, 7, 0, 1, 2, 5, 6]


def test_a_rig_that_a_search_harms_is_left_as_it_was(
    searched: list[list[Share]], monkeypatch: pytest.MonkeyPatch
) -> None:
    def worse(self: Trials, rig: Rig, shares: Sequence[Share]) -> Outcome:
        return Outcome(np.array([[100, 90 if rig == OLD else 60, 10, 10, 0, 0, 0, 0]] * 4))

    monkeypatch.setattr(Trials, "outcome", worse)
    found = run(TAKES)
    assert searched
    assert found.rig == OLD
    assert found.accuracy.value == 0.0
    assert found.steps[-1] == (
        "left as it was: where the search has not looked, that gains -10.00 [-10.00, -10.00] points"
    )


@pytest.mark.usefixtures("searched")
def test_a_gain_that_some_takes_do_not_share_changes_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    def uneven(self: Trials, rig: Rig, shares: Sequence[Share]) -> Outcome:
        right = 60 if rig == OLD or shares[0].take else 90  # one take of five gains
        return Outcome(np.array([[100, right, 10, 10, 0, 0, 0, 0]] * 6))

    monkeypatch.setattr(Trials, "outcome", uneven)
    found = run(TAKES)
    assert found.rig == OLD
    assert "that gains +2.00 [" in found.steps[-1]


@pytest.mark.usefixtures("searched")
def test_takes_set_apart_choose_nothing_even_where_they_lose(monkeypatch: pytest.MonkeyPatch) -> None:
    lost = [TAKES[3], TAKES[4]]

    def outcome(self: Trials, rig: Rig, shares: Sequence[Share]) -> Outcome:
        gains = list(self.takes) != lost
        return Outcome(np.array([[100, 60 if (rig == OLD) == gains else 90, 10, 10, 0, 0, 0, 0]] * 6))

    monkeypatch.setattr(Trials, "outcome", outcome)
    found = run(TAKES[:3], apart=lost)
    assert found.rig == NEW
    assert found.path_right.value == pytest.approx(-0.3)
    assert found.unseen == "2 takes set apart"


@pytest.mark.usefixtures("searched")
def test_progress_ends_at_1() -> None:
    shares: list[float] = []
    report: Callable[[float], None] = shares.append
    run(TAKES, progress=report)
    assert shares == sorted(shares)
    assert shares[-1] == 1.0
