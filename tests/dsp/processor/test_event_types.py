"""Events as Python reads them: every kind has a type, and each field of the kernel's record goes where it belongs."""

import numpy as np
import pytest

from thumbline.dsp.memory.events import (
    BY_PLUCK,
    BY_RULE,
    BY_STOP,
    END,
    EVENT,
    FAULT,
    HANDOVER,
    LOCK,
    NOTE,
    PITCH,
    PLUCK,
)
from thumbline.dsp.processor.event_types import (
    Ended,
    Event,
    Faulty,
    HandedOver,
    NoteBegun,
    Pitched,
    Plucked,
    typed_events,
)


@pytest.mark.parametrize(
    ("kind", "fields", "event"),
    [
        (PLUCK, (-30.0, 0.0, 0.0), Plucked(10, 20, 3, -30.0)),
        (LOCK, (196.0, 0.9, -20.0), Pitched(10, 20, 3, 196.0, 0.9, -20.0)),
        (PITCH, (196.0, 0.9, -20.0), Pitched(10, 20, 3, 196.0, 0.9, -20.0)),
        (NOTE, (196.0, -12.0, 0.0), NoteBegun(10, 20, 3, 196.0, -12.0)),
        (END, (196.0, -12.0, 1.0), Ended(10, 20, 3, 196.0, -12.0, True)),
        (END, (0.0, -40.0, 0.0), Ended(10, 20, 3, 0.0, -40.0, False)),
        (HANDOVER, (6.0, BY_PLUCK, 0.0), HandedOver(10, 20, 3, 6, True)),
        (HANDOVER, (6.0, BY_STOP, 0.0), HandedOver(10, 20, 3, 6, False)),
        (HANDOVER, (0.0, BY_RULE, 0.0), HandedOver(10, 20, 3, 0, False)),
        (FAULT, (4.0, 0.0, 0.0), Faulty(10, 20, 4)),
    ],
)
def test_each_kind_has_a_type_whose_fields_mean_one_thing(
    kind: int, fields: tuple[float, float, float], event: Event
) -> None:
    assert list(typed_events(np.array([(10, 20, kind, 3, *fields)], EVENT))) == [event]


def test_a_kind_that_nobody_knows_is_refused() -> None:
    with pytest.raises(ValueError, match="kind is 99"):
        list(typed_events(np.array([(0, 0, 99, 1, 0.0, 0.0, 0.0)], EVENT)))
