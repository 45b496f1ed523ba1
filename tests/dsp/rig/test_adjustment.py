"""Turning a rig's knobs."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from thumbline.dsp.errors import InputError
from thumbline.dsp.rig.adjustment import Adjustment, adjusted, changed_settings, everywhere
from thumbline.dsp.rig.model import Rig

RIG = Rig.model_validate({"detect": {"on_db": [-50.0] * 6, "off_db": [-60.0] * 5 + [-50.5]}})


def test_no_adjustment_changes_nothing() -> None:
    assert adjusted(RIG, Adjustment()) == RIG
    assert changed_settings(RIG, adjusted(RIG, Adjustment())) == {}


def test_a_threshold_moves_on_the_strings_that_are_named() -> None:
    rig = adjusted(RIG, Adjustment(on_db={5: 2.5}, settle_ms=4.0))
    assert rig.detect.on_db == (-50.0, -50.0, -50.0, -50.0, -47.5, -50.0)
    assert changed_settings(RIG, rig) == {"detect.on_db": rig.detect.on_db, "choice.settle_ms": 4.0}


def test_the_hold_is_set_where_it_is_named() -> None:
    rig = adjusted(RIG, Adjustment(shortest_ms=40.0))
    assert changed_settings(RIG, rig) == {"choice.shortest_ms": 40.0}


def test_where_the_two_would_meet_the_lower_one_gives_way() -> None:
    rig = adjusted(RIG, Adjustment(on_db={1: -15.0}, off_db={2: 30.0}))
    assert rig.detect.on_db[:2] == (-65.0, -50.0)
    assert rig.detect.off_db[:2] == (-66.0, -51.0)


@given(
    on=st.dictionaries(st.integers(1, 6), st.floats(-300, 300)),
    off=st.dictionaries(st.integers(1, 6), st.floats(-300, 300)),
)
def test_however_far_the_knobs_are_turned_it_stays_a_rig(on: dict[int, float], off: dict[int, float]) -> None:
    rig = adjusted(RIG, Adjustment(on, off))
    assert all(float(low) < float(high) for low, high in zip(rig.detect.off_db, rig.detect.on_db, strict=True))


def test_what_a_rig_does_not_accept_is_refused() -> None:
    with pytest.raises(InputError, match="settle_ms is 101"):
        adjusted(RIG, Adjustment(settle_ms=101.0))
    with pytest.raises(ValueError, match="must be numbers"):
        adjusted(Rig(), Adjustment())
    assert everywhere(RIG, 2.0) == dict.fromkeys(range(1, 7), 2.0)
