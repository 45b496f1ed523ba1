"""From events, written here by hand, to notes, hand-overs, the bass line and the sets of open strings."""

import numpy as np
import pytest

from tests.material.rigs import quiet_rig
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
from thumbline.dsp.processor.confidence import confidence
from thumbline.dsp.processor.transcript import SHORTEST_STRETCH_S, Handover, PitchReport, Transcript
from thumbline.dsp.rig.model import Rig

RATE = 1000

Event = tuple[int, int, int, int, float, float, float]


def rig(**choice: object) -> Rig:
    return quiet_rig(-50.0, -60.0, -80.0, choice=choice)


def transcript(*events: Event, settings: Rig | None = None) -> Transcript:
    made = Transcript(settings or rig(), RATE)
    made.feed(np.array(list(events), EVENT))
    return made


def begin(frame: int, string: int, decided: int | None = None) -> Event:
    return (frame, decided or frame + 40, NOTE, string, 110.0, -25.0, 0.0)


def end(frame: int, string: int, hz: float = 110.0) -> Event:
    return (frame, frame + 5, END, string, hz, -25.0, 1.0)


def pass_to(string: int, frame: int, decided: int | None = None, cause: int = BY_PLUCK) -> Event:
    return (frame, frame if decided is None else decided, HANDOVER, string, 0.0, float(cause), 0.0)


def spans(made: Transcript, end_s: float = 10.0) -> list[tuple[int, float, float]]:
    return [(row.string, row.onset_s, row.offset_s) for row in made.bassline(end_s)]


def test_a_note_lasts_from_its_confirmation_s_date_to_its_end() -> None:
    (note,) = transcript((100, 101, PLUCK, 5, -30.0, 0.0, 0.0), begin(100, 5), end(500, 5)).notes
    assert (note.string, note.onset_s, note.offset_s, note.note) == (5, 0.1, 0.5, "A2")


def test_a_pluck_that_was_no_note_leaves_none() -> None:
    made = transcript((100, 101, PLUCK, 5, -30.0, 0.0, 0.0), (140, 150, END, 5, 0.0, -30.0, 0.0))
    assert made.notes == []


def test_an_end_dated_before_the_note_gives_a_note_of_no_length() -> None:
    (note,) = transcript(begin(100, 5), end(90, 5)).notes
    assert note.onset_s == note.offset_s == 0.1


def test_a_note_without_an_end_is_no_note_yet() -> None:
    made = transcript(begin(100, 5))
    assert made.notes == []
    made.feed(np.array([end(300, 5)], EVENT))
    assert len(made.notes) == 1


def test_notes_of_different_strings_do_not_mix() -> None:
    made = transcript(begin(100, 5), begin(200, 6), end(300, 6), end(400, 5))
    assert [(note.string, note.onset_s, note.offset_s) for note in made.notes] == [
        (6, 0.2, 0.3),
        (5, 0.1, 0.4),
    ]


def test_pitch_reports_are_handed_back_and_not_kept() -> None:
    made = Transcript(rig(), RATE)
    events = np.array(
        [(100, 103, LOCK, 5, 110.0, 0.9, -20.0), (108, 110, PITCH, 5, 110.1, 0.95, -21.0), begin(90, 5)],
        EVENT,
    )
    first, second = confidence(np.array([0.9, 0.95]), False).tolist()
    assert made.feed(events) == [
        PitchReport(0.1, 5, 110.0, first, -20.0),
        PitchReport(0.108, 5, 110.1, second, -21.0),
    ]
    assert made.feed(np.zeros(0, EVENT)) == []


def test_a_fault_is_no_note_and_no_pitch_and_its_channel_is_remembered_once() -> None:
    made = Transcript(rig(), RATE)
    faults = [(5, 5, FAULT, 1, 8.0, 0.0, 0.0), (9, 9, FAULT, 2, 2.0, 0.0, 0.0), (1029, 1029, FAULT, 1, 8.0, 0.0, 0.0)]
    assert made.feed(np.array(faults, EVENT)) == []
    assert made.notes == []
    assert made.faulty_channels == {2, 8}


def test_a_take_in_order_has_no_faulty_channel() -> None:
    assert transcript(begin(100, 5), end(500, 5)).faulty_channels == set()


def test_hand_overs_stand_in_the_order_of_decision_and_the_path_in_the_order_of_causes() -> None:
    made = transcript(
        pass_to(3, 100, 103), pass_to(6, 90, 104), begin(90, 6), end(200, 6), pass_to(5, 200, 220, BY_STOP)
    )  # fmt: skip
    third, sixth, fifth = Handover(0.1, 0.103, 3, True), Handover(0.09, 0.104, 6, True), Handover(0.2, 0.22, 5, False)
    assert made.handovers == [third, sixth, fifth]
    assert made.path() == [sixth, fifth], "in hindsight string 3 never had the bass"


def test_a_hand_over_takes_back_every_one_before_it_whose_cause_was_later() -> None:
    # String 6, plucked at 80, was sure only at 130; what strings 4 and 5 had meanwhile is taken back, string 3's not.
    made = transcript(
        pass_to(3, 50, 53), begin(50, 3), pass_to(5, 100, 103), begin(100, 5), pass_to(4, 110, 112), begin(110, 4),
        pass_to(6, 80, 130), begin(80, 6), end(300, 3), end(300, 5), end(300, 4), end(300, 6),
    )  # fmt: skip
    assert [(handover.string, handover.time_s) for handover in made.path()] == [(3, 0.05), (6, 0.08)]
    assert len(made.handovers) == 4


def test_of_two_hand_overs_with_causes_at_once_neither_is_taken_back() -> None:
    made = transcript(pass_to(5, 100, 102), pass_to(6, 100, 104))
    assert [handover.string for handover in made.path()] == [5, 6]


def test_a_note_that_lost_the_bass_in_hindsight_leaves_no_row() -> None:
    made = transcript(
        pass_to(3, 50, 53), begin(50, 3), pass_to(5, 100, 103), begin(100, 5), pass_to(6, 80, 130), begin(80, 6),
        end(300, 3), end(300, 5), end(400, 6),
    )  # fmt: skip
    assert spans(made) == [(3, 0.05, 0.08), (6, 0.08, 0.4)]


def test_latencies_tell_plucks_from_the_rest() -> None:
    made = transcript(pass_to(6, 100, 103), pass_to(5, 200, 220, BY_STOP), pass_to(4, 300, 300, BY_RULE))
    assert made.pluck_latencies_s() == pytest.approx([0.003])
    assert made.stop_latencies_s() == pytest.approx([0.02, 0.0])


def test_a_string_that_becomes_the_bass_because_a_lower_one_stopped_starts_a_row() -> None:
    made = transcript(
        pass_to(6, 100), begin(100, 6), begin(120, 5), end(500, 6), pass_to(5, 500, 510, BY_STOP), end(900, 5)
    )
    assert spans(made) == [(6, 0.1, 0.5), (5, 0.5, 0.9)]


def test_a_string_interrupted_by_a_lower_one_has_two_rows() -> None:
    made = transcript(
        pass_to(5, 100), begin(100, 5), pass_to(6, 300), begin(300, 6), end(400, 6), pass_to(5, 400, 405, BY_STOP),
        end(700, 5),
    )  # fmt: skip
    assert spans(made) == [(5, 0.1, 0.3), (6, 0.3, 0.4), (5, 0.4, 0.7)]


def test_notes_that_follow_each_other_on_the_bass_string_are_rows_of_their_own() -> None:
    made = transcript(pass_to(6, 100), begin(100, 6), end(300, 6), begin(300, 6), end(500, 6))
    assert spans(made) == [(6, 0.1, 0.3), (6, 0.3, 0.5)]


def test_where_nobody_has_the_bass_there_is_no_row() -> None:
    made = transcript(pass_to(6, 100), begin(100, 6), pass_to(0, 300, 305, BY_STOP), end(500, 6))
    assert spans(made) == [(6, 0.1, 0.3)]


def test_a_note_that_sounds_to_the_end_of_the_take_ends_with_it() -> None:
    assert spans(transcript(pass_to(6, 100), begin(100, 6), end(900, 6)), end_s=0.8) == [(6, 0.1, 0.8)]


def test_stretches_too_short_to_hear_leave_no_row() -> None:
    short = round(SHORTEST_STRETCH_S * RATE)
    made = transcript(
        pass_to(5, 100), begin(100, 5), pass_to(6, 100 + short), begin(100 + short, 6), end(500, 5), end(500, 6)
    )
    assert [row[0] for row in spans(made)] == [6]


def test_before_anything_has_happened_there_is_nothing() -> None:
    made = transcript()
    assert (made.notes, made.handovers, list(made.open_sets())) == ([], [], [])


def test_a_take_without_a_hand_over_has_no_bass_line() -> None:
    assert spans(transcript()) == []
    assert spans(transcript(begin(100, 5), end(300, 5))) == []


EVERY = frozenset(range(1, 7))


@pytest.mark.parametrize(
    ("silence", "then"),
    [("keep", []), ("unmute all", [(0.31, EVERY)]), ("mute all", [(0.31, frozenset())])],
)
def test_silence_does_to_the_mutes_what_the_rig_says(silence: str, then: list[tuple[float, frozenset[int]]]) -> None:
    made = transcript(
        pass_to(6, 100, 102), pass_to(0, 300, 310, BY_STOP), pass_to(2, 500, 502), settings=rig(silence=silence)
    )
    assert list(made.open_sets()) == [(0.102, frozenset({6})), *then, (0.502, frozenset({2}))]
