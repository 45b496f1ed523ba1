"""The tape: what is copied, what a reader that comes too late is told, and when something is marked."""

import numpy as np
import pytest

from thumbline.dsp.live.record import LIVE
from thumbline.dsp.live.tape import MARGIN, keep, mark, take_frames, take_marks, wind_on
from thumbline.dsp.memory.record_type import Record


@pytest.fixture
def live() -> Record:
    live = np.zeros(1, LIVE)[0]
    live.tape.columns, live.tape.length = 5, 20_000
    return live


def test_frames_come_out_as_they_went_in_and_a_late_reader_learns_which_are_gone(live: Record) -> None:
    sound = np.arange(60_000 * 5, dtype=np.float64).reshape(-1, 5)
    read = 0
    for first in range(0, 30_000, 64):
        block = sound[first : first + 64]
        for part in (0, 32):  # the callback works in parts
            keep(
                live.tape, part, block[part : part + 32, :2], block[part : part + 32, 2:], len(block[part : part + 32])
            )
        assert int(live.tape.written) == first, "not counted before it is whole"
        wind_on(live.tape, len(block))
        if first % 4096 == 0:
            frames, at = take_frames(live.tape, read, 1 << 20)
            assert at == read
            np.testing.assert_array_equal(frames, sound[read : first + 64].astype(np.float32))
            read += len(frames)
    written = int(live.tape.written)
    frames, at = take_frames(live.tape, 0, 1 << 20)
    assert at == written - 20_000 + MARGIN
    np.testing.assert_array_equal(frames, sound[at:written].astype(np.float32))


def test_a_mark_is_made_where_an_engine_begins_and_where_something_else_is_asked(live: Record) -> None:
    tape, st = live.tape, live.state
    st.controls.split, st.events_written = 1, 7
    for block in range(6):
        if block == 2:
            st.controls.hold = 1
        if block == 4:
            st.controls.level = 0.5
        mark(tape, st, 0, int(block > 4), block == 0)
        wind_on(tape, 64)
    marks, count = take_marks(tape, 0)
    assert count == 4
    assert marks["frame"].tolist() == [0, 128, 256, 320]
    assert marks["anew"].tolist() == [1, 0, 0, 0]
    assert marks["events"].tolist() == [7] * 4
    assert list(zip(marks["setting"], marks["hold"], marks["level"], strict=True)) == [
        (0, 0, 0.0),
        (0, 1, 0.0),
        (0, 1, 0.5),
        (1, 1, 0.5),
    ]
    assert take_marks(tape, 3)[0]["frame"].tolist() == [320]
