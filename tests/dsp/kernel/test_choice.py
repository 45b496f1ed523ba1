"""Which string is the bass: every rule and setting against a slow and obvious oracle that knows the true notes.

The oracle walks through a take of model strings in steps of a millisecond. Within a moment of a change (a pluck must be
heard, a damped string takes its time) either answer is fair; elsewhere there is one answer only.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pytest

from tests.material.rigs import quiet_rig
from thumbline.dsp.memory.events import BY_PLUCK, BY_RULE, BY_STOP, HANDOVER
from thumbline.dsp.note_names import note_to_midi
from thumbline.dsp.processor.processor import Processor
from thumbline.dsp.processor.transcript import Handover, Transcript
from thumbline.dsp.rig.model import Rig
from thumbline.dsp.synthetic.demo_score import STRINGS
from thumbline.dsp.synthetic.model_take import hiss, render_string
from thumbline.dsp.synthetic.string_model import Pluck

RATE = 48_000
#: Between two actions of the random player, in seconds.
EVERY_S = 0.08
#: Before and after a change of the truth within which nothing is asked, in seconds.
BEFORE_S, AFTER_S = 0.004, 0.045


@dataclass(frozen=True)
class Played:
    """A note as it is played: string, fret, from when to when in seconds."""

    string: int
    fret: int
    start_s: float
    stop_s: float

    @property
    def midi(self) -> float:
        return STRINGS[self.string].open_midi + self.fret


def rig(**choice: object) -> Rig:
    return quiet_rig(choice=choice)


def sound(notes: Sequence[Played], seconds: float) -> np.ndarray:
    rng = np.random.default_rng(8)
    frames = round(seconds * RATE)
    take = hiss(frames, 6, -90.0, rng)
    for string in range(1, 7):
        plucks = [Pluck(n.start_s, n.midi, n.stop_s, 0.8) for n in notes if n.string == string]
        take[:, string - 1] += render_string(STRINGS[string], plucks, frames, RATE, rng)[0]
    return take


def hand_overs(take: np.ndarray, settings: Rig) -> tuple[list[Handover], np.ndarray]:
    """Hand-overs, and the causes that their events name."""
    processor, transcript = Processor(settings, RATE), Transcript(settings, RATE)
    events = processor.process(take)[1]
    transcript.feed(events)
    return transcript.handovers, events["extra"][events["kind"] == HANDOVER].astype(int)


def oracle(notes: Sequence[Played], settings: Rig, seconds: float) -> Iterator[tuple[float, int]]:
    """For each millisecond, which string should be the bass (0: none)."""
    choice = settings.choice
    limit = 1000.0 if choice.highest_note == "any" else note_to_midi(choice.highest_note) + 0.5
    carriers = range(1, 7) if choice.strings == "all" else choice.strings
    preference = {
        "lowest string": lambda note: note.string,
        "lowest pitch": lambda note: -note.midi,
        "last plucked": lambda note: note.start_s,
    }[choice.rule]
    bass = wanted_before = 0
    wanted_since = handed_over = -1.0
    for millisecond in range(round(1000 * seconds)):
        now = millisecond / 1000
        sounding = [note for note in notes if note.start_s <= now < note.stop_s]
        candidates = [note for note in sounding if note.string in carriers and note.midi <= limit]
        if choice.rest == "next string" and not candidates:
            candidates = sounding
        wanted = max(candidates, key=preference).string if candidates else 0
        if wanted != wanted_before:
            wanted_before, wanted_since = wanted, now
        bass_stopped = bass not in [note.string for note in sounding]
        settling = wanted and now - wanted_since < choice.settle_ms / 1000
        holding = wanted and bass and not bass_stopped and now - handed_over < choice.shortest_ms / 1000
        if wanted != bass and not settling and not holding:
            bass, handed_over = wanted, now
        yield now, bass


def path(changes: Sequence[Handover], times: np.ndarray, *, decided: bool = False) -> np.ndarray:
    """The bass string at each time, counted from when things happened, or from when they were decided."""
    at = [0.0, *(each.decided_s if decided else each.time_s for each in changes)]
    strings = np.array([0, *(each.string for each in changes)])
    return strings[np.searchsorted(at, times, side="right") - 1]


def unlike_the_oracle(notes: Sequence[Played], settings: Rig, seconds: float, take: np.ndarray) -> list[str]:
    """What differs, in words. Hand-overs count from the decision: that is when the bass is heard to pass."""
    truth = list(oracle(notes, settings, seconds))
    times = np.array([now for now, _ in truth])
    right = np.array([string for _, string in truth])
    got = path(hand_overs(take, settings)[0], times, decided=True)
    edges = [time for note in notes for time in (note.start_s, note.stop_s)]
    edges += list(times[1:][np.diff(right) != 0])
    fair = np.zeros(len(times), bool)
    for edge in edges:
        fair |= (times > edge - BEFORE_S) & (times < edge + AFTER_S)
    assert (~fair).mean() > 0.3, "or nothing was asked"
    wrong = np.flatnonzero((got != right) & ~fair)
    return [f"{times[i]:.3f} s: string {got[i]}, oracle {right[i]}" for i in wrong[:5]]


def random_notes(seed: int, seconds: float) -> list[Played]:
    """A player with six free hands, who does one thing at a time, and never the same note on two strings at once."""
    rng = np.random.default_rng(seed)
    free = dict.fromkeys(STRINGS, 0.0)
    sounding: dict[int, int] = {}  # string to place in notes
    notes: list[list[float]] = []
    now = 0.2
    while now < seconds - 0.3:
        stopped = [s for s in free if s not in sounding and free[s] < now]
        if sounding and (not stopped or rng.random() < 0.45):
            string = int(rng.choice(list(sounding)))
            notes[sounding.pop(string)][3] = now
            free[string] = now + 0.1
        elif stopped:
            string = int(rng.choice(stopped))
            taken = {round(STRINGS[s].open_midi) + notes[i][1] for s, i in sounding.items()}
            frets = [f for f in range(13) if round(STRINGS[string].open_midi) + f not in taken]
            sounding[string] = len(notes)
            notes.append([string, int(rng.choice(frets)), now, seconds - 0.2])
        now += EVERY_S
    return [Played(int(string), int(fret), start, stop) for string, fret, start, stop in notes]


SECONDS = 8.0
MUSIC = {seed: random_notes(seed, SECONDS) for seed in (1, 2, 3)}


@pytest.fixture(scope="module", params=MUSIC)
def music(request: pytest.FixtureRequest) -> tuple[list[Played], np.ndarray]:
    notes = MUSIC[request.param]
    return notes, sound(notes, SECONDS)


SETTINGS: list[Mapping[str, object]] = [
    {},
    {"rule": "lowest pitch"},
    {"rule": "last plucked"},
    {"strings": [4, 5, 6]},
    {"strings": [2, 6]},
    {"highest_note": "E3"},
    {"rule": "lowest pitch", "highest_note": "A3"},
    {"settle_ms": 60.0},
    {"shortest_ms": 440.0},
    {"settle_ms": 32.0, "shortest_ms": 180.0},
    {"rule": "last plucked", "shortest_ms": 250.0, "strings": [1, 2, 3, 4]},
    {"rule": "last plucked", "strings": [4, 5, 6], "rest": "next string"},
    {"rule": "last plucked", "highest_note": "A2", "rest": "next string"},
    {"rule": "lowest pitch", "strings": [2, 6], "rest": "next string"},
]


@pytest.mark.parametrize("choice", SETTINGS, ids=str)
def test_the_bass_is_where_the_oracle_has_it(
    choice: Mapping[str, object], music: tuple[list[Played], np.ndarray]
) -> None:
    notes, take = music
    assert unlike_the_oracle(notes, rig(**choice), SECONDS, take) == []


def test_settings_make_a_difference_in_this_music() -> None:
    paths = [[bass for _, bass in oracle(MUSIC[1], rig(**choice), SECONDS)] for choice in SETTINGS]
    assert len({tuple(each) for each in paths}) == len(SETTINGS)


CHORD = {6: 0, 5: 2, 4: 2, 3: 1, 2: 0, 1: 0}


def strum(order: Sequence[int], start_s: float, spread_s: float, stop_s: float) -> list[Played]:
    return [Played(s, CHORD[s], start_s + i * spread_s, stop_s) for i, s in enumerate(order)]


def test_a_strum_from_low_to_high_keeps_the_bass_on_the_lowest_string() -> None:
    changes, _ = hand_overs(sound(strum(range(6, 0, -1), 0.3, 0.012, 1.2), 1.6), rig())
    assert [change.string for change in changes][:1] == [6]
    assert 6 not in [change.string for change in changes][1:]
    assert abs(changes[0].time_s - 0.3) < 0.003


def test_a_strum_from_high_to_low_passes_the_bass_down_string_by_string() -> None:
    changes, causes = hand_overs(sound(strum(range(1, 7), 0.3, 0.012, 1.2), 1.1), rig())
    assert [change.string for change in changes] == [1, 2, 3, 4, 5, 6]
    assert causes.tolist() == [BY_PLUCK] * 6
    for i, change in enumerate(changes):
        assert abs(change.time_s - (0.3 + 0.012 * i)) < 0.003


@pytest.mark.parametrize("order", [range(1, 7), range(6, 0, -1)], ids=["up", "down"])
def test_settling_gives_one_hand_over_a_strum_and_dates_it_to_the_pluck(order: range) -> None:
    changes, causes = hand_overs(sound(strum(order, 0.3, 0.012, 1.2), 1.1), rig(settle_ms=25.0))
    assert [change.string for change in changes] == [6]
    assert causes.tolist() == [BY_PLUCK]
    plucked_s = 0.3 if order[0] == 6 else 0.36
    assert abs(changes[0].time_s - plucked_s) < 0.003
    assert 0.025 <= changes[0].decided_s - changes[0].time_s < 0.029


def test_settling_shorter_than_the_strum_lets_strings_pass() -> None:
    changes, _ = hand_overs(sound(strum(range(1, 7), 0.3, 0.03, 1.2), 1.1), rig(settle_ms=20.0))
    assert [change.string for change in changes] == [1, 2, 3, 4, 5, 6]


def test_a_pluck_of_a_lower_string_is_answered_within_3_ms() -> None:
    notes = [Played(s, 2, 0.4 * s, 3.0) for s in range(1, 7)]
    changes, causes = hand_overs(sound(notes, 2.8), rig())
    assert [change.string for change in changes] == [1, 2, 3, 4, 5, 6]
    assert causes.tolist() == [BY_PLUCK] * 6
    for change in changes:
        assert change.plucked
        assert 0.0 < change.decided_s - change.time_s < 0.003


def test_a_stop_is_dated_to_the_hand_and_answered_within_25_ms() -> None:
    """The hand needs 15 ms for 60 dB, and the lowest period lasts 12."""
    stops = {6: 0.6, 5: 0.9, 4: 1.2, 3: 1.5, 2: 1.8, 1: 2.1}
    changes, causes = hand_overs(sound([Played(s, 0, 0.2, stop) for s, stop in stops.items()], 2.5), rig())
    last = changes[-6:]
    assert [change.string for change in last] == [5, 4, 3, 2, 1, 0]
    assert causes[-6:].tolist() == [BY_STOP] * 6
    for change, stop in zip(last, stops.values(), strict=True):
        assert stop - 0.001 < change.time_s < stop + 0.015
        assert 0.0 <= change.decided_s - change.time_s < 0.025
        assert not change.plucked


def test_a_hand_over_that_was_held_back_is_dated_to_the_end_of_the_hold() -> None:
    notes = [Played(3, 0, 0.2, 2.0), Played(6, 0, 0.3, 2.0)]
    changes, causes = hand_overs(sound(notes, 1.2), rig(shortest_ms=500.0))
    assert [change.string for change in changes] == [3, 6]
    assert causes.tolist() == [BY_PLUCK, BY_RULE]
    assert 0.5 <= changes[1].decided_s - changes[0].decided_s < 0.502
    assert 0.0 <= changes[1].decided_s - changes[1].time_s < 0.001


def test_a_hold_does_not_keep_the_bass_on_a_string_that_has_stopped() -> None:
    notes = [Played(3, 0, 0.2, 1.5), Played(6, 0, 0.4, 0.6)]
    changes, _ = hand_overs(sound(notes, 1.2), rig(shortest_ms=1000.0))
    assert [change.string for change in changes] == [3]
    notes = [Played(6, 0, 0.2, 0.5), Played(3, 0, 0.3, 1.5)]
    changes, causes = hand_overs(sound(notes, 1.2), rig(shortest_ms=1000.0))
    assert [change.string for change in changes] == [6, 3]
    assert causes.tolist() == [BY_PLUCK, BY_STOP]
    assert changes[1].decided_s < 0.53


def test_a_string_that_may_not_carry_the_bass_never_does() -> None:
    changes, _ = hand_overs(sound(strum(range(1, 7), 0.2, 0.02, 1.0), 1.4), rig(strings=[2, 4]))
    assert [change.string for change in changes] == [2, 4, 0]


def test_a_note_bent_above_the_highest_note_gives_the_bass_up_by_rule() -> None:
    rng = np.random.default_rng(9)
    frames = round(1.6 * RATE)
    bent = Pluck(0.2, STRINGS[3].open_midi + 7, 1.4, 0.8, bend=((0.3, 0.0), (0.6, 200.0)))  # D4 to E4
    take = hiss(frames, 6, -90.0, rng)
    take[:, 2] += render_string(STRINGS[3], [bent], frames, RATE, rng)[0]
    changes, causes = hand_overs(take, rig(highest_note="D4"))
    assert [change.string for change in changes] == [3, 0]
    assert causes.tolist() == [BY_PLUCK, BY_RULE]
    assert 0.5 < changes[1].time_s < 0.8
