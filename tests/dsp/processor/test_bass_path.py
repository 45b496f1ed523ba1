"""The bass line in hindsight, against a walk through the milliseconds and against what was heard.

A player is invented whose plucks are believed in time or late, or prove to be no notes. From these the hand-overs
follow by the rules that README states, here once more as slow and obvious Python.
"""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import pytest

from tests.material.rigs import quiet_rig
from thumbline.dsp.memory.events import BY_PLUCK, BY_RULE, BY_STOP, END, EVENT, HANDOVER, NOTE, PLUCK
from thumbline.dsp.processor.bass_path import Handover
from thumbline.dsp.processor.transcript import SHORTEST_STRETCH_S, Transcript
from thumbline.dsp.rig.model import Rig

RATE = 1000
END_MS = 6000
OPEN_MIDI = {1: 64, 2: 59, 3: 55, 4: 50, 5: 45, 6: 40}
#: A pluck or stop that is heard at once is decided within this time, in ms.
PROMPT_MS = 20


@dataclass(frozen=True)
class Sounding:
    """What one pluck does to a string; times in ms."""

    string: int
    fret: int
    onset: int
    heard: int  #: when the pluck is found
    believed: int  #: when the bass may pass to the string
    stop: int
    silent: int  #: when the stop is found
    doubted: int | None  #: when it turns out to be no note

    @property
    def midi(self) -> int:
        return OPEN_MIDI[self.string] + self.fret

    def carries(self, now: int) -> bool:
        """Whether the string may have the bass."""
        return self.believed <= now < (self.silent if self.doubted is None else self.doubted)

    def note_at(self, now: int) -> bool:
        """Whether a note truly sounds."""
        return self.doubted is None and self.onset <= now < self.stop

    def beats(self, other: "Sounding", rule: str) -> bool:
        if rule == "lowest string":
            return self.string > other.string
        if rule == "lowest pitch":
            return (self.midi, -self.string) < (other.midi, -other.string)
        return (self.heard, self.string) > (other.heard, other.string)


def rig(**choice: object) -> Rig:
    return quiet_rig(-50.0, -60.0, -80.0, choice=choice)


def random_soundings(rng: np.random.Generator) -> list[Sounding]:
    soundings = []
    for string in OPEN_MIDI:
        now = int(rng.integers(10, 400))
        while True:
            length = int(rng.integers(50, 700))
            late = int(rng.integers(PROMPT_MS, 140)) if rng.random() < 0.3 else 3
            no_note = rng.random() < 0.2
            stop = now + max(length, late + 10)
            silent = stop + int(rng.integers(1, PROMPT_MS))
            doubted = min(now + late + int(rng.integers(1, 40)), stop) if no_note else None
            if silent > END_MS - 50:
                break
            fret = int(rng.integers(0, 15))
            heard = now + int(rng.integers(0, 3))
            soundings.append(Sounding(string, fret, now, heard, now + late, stop, silent, doubted))
            now = silent + int(rng.integers(2, 300))
    return soundings


def hand_overs(soundings: list[Sounding], settings: Rig) -> Iterator[tuple[int, int, int, int]]:
    """Decision, cause in the signal, string and kind of cause of each hand-over."""
    choice = settings.choice
    bass = wanted_before = None
    wanted_since = handed_over = -1000
    delayed = False
    for now in range(END_MS):
        wanted = None
        for each in soundings:
            if each.carries(now) and (wanted is None or each.beats(wanted, choice.rule)):
                wanted = each
        if wanted != wanted_before:
            wanted_before, wanted_since = wanted, now
        if wanted == bass:
            delayed = False
            continue
        stopped = bass is not None and now >= bass.silent
        thump = bass is not None and bass.doubted is not None and now >= bass.doubted
        held = wanted and bass and not stopped and not thump and now <= handed_over + choice.shortest_ms
        if held or (wanted and now < wanted_since + choice.settle_ms):
            delayed = bool(held)
            continue
        cause, kind = wanted_since, BY_RULE
        if delayed:
            cause = now
        elif wanted is not None and wanted.believed == wanted_since:
            cause, kind = wanted.onset, BY_PLUCK
        elif stopped and bass is not None:
            cause, kind = bass.stop, BY_STOP
        yield now, cause, wanted.string if wanted else 0, kind
        bass, handed_over, delayed = wanted, now, False


def transcript(soundings: list[Sounding], settings: Rig) -> Transcript:
    events = []
    for each in soundings:
        hz = 440.0 * 2 ** ((each.midi - 69) / 12)
        events.append((each.onset, each.heard, PLUCK, each.string, 0.0, 0.0, 0.0))
        if each.doubted is None:
            events.append((each.onset, each.believed + 5, NOTE, each.string, hz, -25.0, 0.0))
        events.append((each.stop, each.silent, END, each.string, hz, -25.0, float(each.doubted is None)))
    for decided, cause, string, kind in hand_overs(soundings, settings):
        events.append((cause, decided, HANDOVER, string, 0.0, float(kind), 0.0))
    made = Transcript(settings, RATE)
    made.feed(np.array(sorted(events, key=lambda event: (event[1], event[2])), EVENT))  # kinds: ends before hand-overs
    return made


def sounding_at(soundings: list[Sounding], string: int, now: int) -> Sounding | None:
    return next((each for each in soundings if each.string == string and each.note_at(now)), None)


def heard_string(handovers: list[Handover]) -> np.ndarray:
    """For each millisecond, which string the sound and the mutes have as the bass."""
    heard = np.zeros(END_MS, int)
    for each in handovers:
        heard[round(each.decided_s * RATE) :] = each.string
    return heard


def walk(soundings: list[Sounding], made: Transcript, rule: str) -> np.ndarray:
    """For each millisecond, which string should have the bass in hindsight.

    A hand-over is carried back from its decision to its cause, millisecond by millisecond, until a note is met that
    the rule prefers; if no pluck was the cause, until any note of a
    third string. Where the bass passes to what is no
    note, it stays at its decision.
    """
    bass = np.zeros(END_MS, int)
    for each in made.handovers:
        cause, decided = round(each.time_s * RATE), round(each.decided_s * RATE)
        lost = int(bass[decided]) if not each.plucked else 0  # that the string before lost the bass was the cause
        bass[decided:] = each.string
        mine = next((s for s in soundings if s.string == each.string and s.believed <= decided < s.silent), None)
        if each.plucked and mine is not None and mine.doubted is not None:
            continue
        for now in range(decided - 1, cause - 1, -1):
            theirs = sounding_at(soundings, int(bass[now]), now)
            if theirs is None or theirs.string in (each.string, lost):
                beaten = True
            else:
                beaten = each.plucked and mine is not None and mine.beats(theirs, rule)
            if not beaten:
                break
            bass[now] = each.string
    return bass


def runs(differ: np.ndarray) -> list[tuple[int, int]]:
    edges = np.flatnonzero(np.diff(np.r_[0, differ.astype(int), 0]))
    return [(int(begin), int(end)) for begin, end in zip(edges[::2], edges[1::2], strict=True)]


def line_of(made: Transcript) -> np.ndarray:
    line = np.zeros(END_MS, int)
    for row in made.bassline(END_MS / RATE):
        line[round(row.onset_s * RATE) : round(row.offset_s * RATE)] = row.string
    return line


SETTINGS = [
    {},
    {"rule": "lowest pitch"},
    {"rule": "last plucked"},
    {"settle_ms": 30.0},
    {"shortest_ms": 200.0},
    {"rule": "lowest pitch", "settle_ms": 15.0, "shortest_ms": 80.0},
]


@pytest.fixture(scope="module", params=SETTINGS, ids=str)
def played(request: pytest.FixtureRequest) -> tuple[str, list[tuple[list[Sounding], Transcript]]]:
    settings = rig(**request.param)
    rng = np.random.default_rng(41)
    takes = [random_soundings(rng) for _ in range(12)]
    return settings.choice.rule, [(soundings, transcript(soundings, settings)) for soundings in takes]


Played = tuple[str, list[tuple[list[Sounding], Transcript]]]


def test_the_bass_line_is_what_a_walk_back_in_milliseconds_finds(played: Played) -> None:
    rule, takes = played
    for soundings, made in takes:
        expected = walk(soundings, made, rule)
        for now in range(END_MS):
            if sounding_at(soundings, int(expected[now]), now) is None:
                expected[now] = 0
        wrong = [(a, b) for a, b in runs(line_of(made) != expected) if b - a > SHORTEST_STRETCH_S * RATE]
        assert wrong == []


def test_what_was_heard_is_cut_off_only_by_what_the_rule_prefers(played: Played) -> None:
    """Oracle: the mutes. Where the line differs from a note that was heard, its own string would have won."""
    rule, takes = played
    late = 0
    for soundings, made in takes:
        heard, line = heard_string(made.handovers), line_of(made)
        unfair = np.zeros(END_MS, bool)
        for now in range(END_MS):
            theirs = sounding_at(soundings, int(heard[now]), now)
            mine = sounding_at(soundings, int(line[now]), now)
            if theirs is None or theirs == mine:
                continue
            unfair[now] = mine is None or not mine.beats(theirs, rule)
            late += not unfair[now]
        assert [(a, b) for a, b in runs(unfair) if b - a > PROMPT_MS] == []
    assert late > 100, "or no pluck was believed late"


def test_a_note_that_takes_the_bass_by_its_pluck_begins_at_its_pluck(played: Played) -> None:
    rule, takes = played
    asked = 0
    for soundings, made in takes:
        path = made.path()
        rows = {(row.string, round(row.onset_s * RATE)) for row in made.bassline(END_MS / RATE)}
        expected = walk(soundings, made, rule)
        for each in made.handovers:
            onset, decided = round(each.time_s * RATE), round(each.decided_s * RATE)
            mine = sounding_at(soundings, each.string, onset)
            others = [s for s in soundings if mine and s != mine and s.note_at(onset) and s.carries(decided)]
            if not each.plucked or mine is None or any(other.beats(mine, rule) for other in others):
                continue
            if (expected[onset : mine.stop] == each.string).all() and mine.stop - onset > PROMPT_MS:
                asked += 1
                assert (each.string, onset) in rows, (each, path)
    assert asked > 10


def test_a_late_belief_cuts_no_lower_string_off_that_was_heard() -> None:
    """The hand-overs of a recorded comping take: string 6 ends at 12.912 s, 4 and 5 had been plucked long before."""
    made = Transcript(rig(), 10_000)
    events = [
        (127_806, 127_811, PLUCK, 6), (127_806, 127_827, HANDOVER, 6), (127_806, 128_300, NOTE, 6),
        (127_866, 127_870, PLUCK, 4), (127_872, 127_876, PLUCK, 5),
        (129_120, 129_125, PLUCK, 3), (129_120, 129_139, END, 6), (129_120, 129_140, HANDOVER, 3),
        (127_866, 129_326, NOTE, 4), (127_866, 129_326, HANDOVER, 4),
        (127_872, 129_420, NOTE, 5), (127_872, 129_420, HANDOVER, 5), (129_120, 129_500, NOTE, 3),
        (135_000, 135_100, END, 3), (135_000, 135_100, END, 4), (135_000, 135_100, END, 5),
    ]  # fmt: skip
    pitch = {3: 196.0, 4: 146.8, 5: 110.0, 6: 82.4}
    extra = {PLUCK: 0.0, NOTE: -25.0, END: -25.0, HANDOVER: float(BY_PLUCK)}
    made.feed(np.array([(*each, pitch[each[3]], extra[each[2]], 1.0) for each in events], EVENT))
    rows = [(row.string, round(row.onset_s, 4), round(row.offset_s, 4)) for row in made.bassline(14.0)]
    assert rows == [(6, 12.7806, 12.912), (5, 12.912, 13.5)]


def test_a_soft_low_note_that_is_believed_late_takes_its_pluck_back_from_a_higher_string() -> None:
    high = Sounding(3, 0, 100, 101, 103, 900, 910, None)
    low = Sounding(6, 0, 300, 302, 380, 700, 710, None)
    made = transcript([high, low], rig())
    rows = [(row.string, row.onset_s, row.offset_s) for row in made.bassline(1.0)]
    assert rows == [(3, 0.1, 0.3), (6, 0.3, 0.7), (3, 0.7, 0.9)]


def test_a_thump_keeps_no_note_from_beginning_at_its_pluck() -> None:
    thump = Sounding(6, 0, 100, 101, 103, 160, 165, 130)
    note = Sounding(5, 0, 110, 111, 140, 700, 710, None)
    made = transcript([thump, note], rig())
    assert [(row.string, row.onset_s) for row in made.bassline(1.0)] == [(5, 0.11)]
