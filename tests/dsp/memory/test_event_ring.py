"""Events leave the kernel in order, each once."""

import numpy as np

from thumbline.dsp.memory.event_ring import emit
from thumbline.dsp.memory.events import EVENT, EVENTS, PITCH, take_events
from thumbline.dsp.memory.records import STATE


def write(state: np.ndarray, first: int, count: int) -> None:
    for i in range(first, first + count):
        emit(state[0], i, i + 7, PITCH, 1 + i % 6, i + 0.25, i + 0.5, i + 0.75)


def test_an_event_arrives_as_it_was_written() -> None:
    state = np.zeros(1, STATE)
    emit(state[0], 123, 456, PITCH, 6, 82.41, 0.98, -21.5)
    events, read = take_events(state[0], 0)
    assert read == 1
    assert events.dtype == EVENT
    assert events.tolist() == [(123, 456, PITCH, 6, 82.41, 0.98, -21.5)]


def test_nothing_written_is_nothing_taken() -> None:
    events, read = take_events(np.zeros(1, STATE)[0], 0)
    assert len(events) == read == 0


def test_each_event_is_taken_once_and_in_order_however_often_the_ring_goes_round() -> None:
    state, read, frames = np.zeros(1, STATE), 0, []
    total = 0
    for count in (1, 0, 1000, EVENTS, 17, EVENTS - 1, 300):
        write(state, total, count)
        total += count
        events, read = take_events(state[0], read)
        assert len(events) == count
        frames += events["frame"].tolist()
    assert read == total > 2 * EVENTS
    assert frames == list(range(total))


def test_of_more_events_than_the_ring_holds_the_newest_are_left_and_the_count_tells_of_the_loss() -> None:
    state = np.zeros(1, STATE)
    write(state, 0, EVENTS + 10)
    events, read = take_events(state[0], 0)
    assert read == EVENTS + 10
    assert events["frame"].tolist() == list(range(10, EVENTS + 10))


def test_what_was_taken_is_a_copy_that_later_events_do_not_overwrite() -> None:
    state = np.zeros(1, STATE)
    write(state, 0, EVENTS)
    events, _ = take_events(state[0], 0)
    write(state, EVENTS, EVENTS)
    assert events["frame"].tolist() == list(range(EVENTS))
