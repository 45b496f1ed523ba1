"""The figures of the tracker, measured: how right, how soon, how steady, and what it must not take for a note.

Truth comes from model strings (exact) and, where the environment variable ``THUMBLINE_RECORDINGS`` names their folder,
from recordings: single notes (FreePats, "e-guitar FSBS direct", CC0 1.0; truth: the first partial's spectrum), damped
strings and taps (Karoryfer Samples, CC0 1.0) and annotated solos (GuitarSet: Xi et al., ISMIR 2018, CC BY 4.0), which
`mir_eval` scores. Bounds are what is reached, with a little room. The printed comparison with other trackers is made
by ``tests/benchmarks/test_pitch_comparison.py``.
"""

import operator
import re
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache, reduce
from itertools import product

import numpy as np
import pytest
import soundfile

from tests.helpers.pitch_comparison import Marks, cents, events_of, mark, melody_scores, thumbline
from tests.helpers.places import needs_recordings, recorded
from tests.material.pitch_tracks import (
    MODEL_STRINGS,
    RATE,
    RECORDED_STRINGS,
    SOLOS,
    model_track,
    random_plucks,
    recorded_track,
    solo_track,
    take_of,
)
from tests.references.figures import agrees
from thumbline.dsp.memory.events import HANDOVER, LOCK, NOTE, PITCH, PLUCK
from thumbline.dsp.rig.model import Rig
from thumbline.dsp.synthetic.demo_score import STRINGS
from thumbline.dsp.synthetic.string_model import Pluck, Signal, midi_to_hz

HISS_DB = -85.0


def unmet(figures: dict[str, float], least: dict[str, float], most: dict[str, float]) -> dict[str, float]:
    """The figures that miss their bounds."""
    low = {name: figures[name] for name, bound in least.items() if figures[name] < bound}
    return low | {name: figures[name] for name, bound in most.items() if figures[name] > bound}


LEAST = {"within 50 c, %": 99.5, "within 10 c, %": 96.0, "recall, %": 98.0}
MOST = {"octave, %": 0.1, "sustained, c": 1.0, "false alarm, %": 4.0}


#: Digits of the figures in the documents.
DIGITS = {"within 50 c, %": 1, "within 10 c, %": 1, "octave, %": 1, "sustained, c": 1, "delay, ms": 1, "p90, ms": 0}


@cache
def marks(kind: str, name: str) -> Marks:
    track = model_track(name) if kind == "model" else recorded_track(name)
    return mark(track, thumbline(track))


def row(kind: str, names: Sequence[str]) -> dict[str, float]:
    return reduce(operator.add, (marks(kind, name) for name in names)).row()


def key_of(kind: str, name: str) -> str:
    return f"{kind}.{re.sub('[^a-z0-9]+', '_', name).strip('_')}"


@pytest.mark.parametrize("strings", [tuple(MODEL_STRINGS), ("E2", "A2")], ids=["all", "E2 and A2"])
def test_model_strings_are_read_right(strings: tuple[str, ...]) -> None:
    figures = row("model", strings)
    assert unmet(figures, LEAST, MOST) == {}, figures
    if len(strings) > 2:
        for name, digits in DIGITS.items():
            agrees(key_of("model", name), figures[name], digits)


@needs_recordings
@pytest.mark.parametrize("strings", [RECORDED_STRINGS, ("E2", "A2")], ids=["all", "E2 and A2"])
def test_recorded_strings_are_read_right(strings: tuple[str, ...]) -> None:
    figures = row("recorded", strings)
    assert unmet(figures, LEAST, MOST) == {}, figures
    if len(strings) > 2:
        for name, digits in DIGITS.items():
            agrees(key_of("recorded", name), figures[name], digits)


@needs_recordings
def test_recorded_low_strings_are_known_soon() -> None:
    figures = row("recorded", ["E2"])
    assert unmet(figures, {}, {"delay, ms": 20.0, "p90, ms": 28.0}) == {}, figures


@needs_recordings
def test_a_solo_on_a_mix_of_strings_is_followed_for_the_most_part() -> None:
    scores = []
    for name in SOLOS:
        track, time, truth = solo_track(name)
        scores.append(melody_scores(time, truth, thumbline(track)))
    mean = {name: float(np.mean([score[name] for score in scores])) for name in scores[0]}
    least = {
        "raw pitch, %": 90.5,
        "with a guess, %": 93.0,
        "raw chroma, %": 91.0,
        "recall, %": 93.0,
        "overall, %": 84.0,
    }
    assert unmet(mean, least, {}) == {}, scores
    for number, score in enumerate(scores, 1):
        for name, digits in {"raw pitch, %": 1, "with a guess, %": 1, "recall, %": 0, "false alarm, %": 0}.items():
            agrees(key_of(f"solo_{number}", name), score[name], digits)
        agrees(key_of(f"solo_{number}", "overall"), score["overall, %"], 0)


@dataclass(frozen=True)
class Answer:
    """What became of one pluck: when the bass passed to its string, when its pitch was right to stay, in seconds."""

    decided_s: float
    locked_s: float
    period_s: float


def answer(events: np.ndarray, string: int, pluck: Pluck, hz: Signal) -> Answer:
    """Find what the events say of one pluck."""
    begin = pluck.start_s - 0.015  # the plectrum is heard before it lets go
    near = (events["decided"] >= begin * RATE) & (events["decided"] < (pluck.start_s + 0.3) * RATE)
    mine = events[near & (events["string"] == string)]
    handovers = mine["decided"][mine["kind"] == HANDOVER]
    reports = mine[(mine["kind"] == LOCK) | (mine["kind"] == PITCH)]
    wrong = np.flatnonzero(np.abs(cents(reports["value"], hz[reports["frame"]])) >= 50)
    known = reports["decided"][wrong[-1] + 1 if len(wrong) else 0 :]
    return Answer(
        handovers[0] / RATE - pluck.start_s if len(handovers) else np.inf,
        known[0] / RATE - pluck.start_s if len(known) else np.inf,
        1.0 / float(midi_to_hz(pluck.midi)),
    )


@cache
def answers() -> list[Answer]:
    """Twenty plucks on each string."""
    rng = np.random.default_rng(11)
    found = []
    for string in STRINGS:
        plucks = random_plucks(string, 20, rng)
        take, hz = take_of(string, plucks, rng)
        events = events_of(take, Rig(), RATE)
        found += [answer(events, string, pluck, hz) for pluck in plucks]
    return found


def test_a_pluck_decides_within_3_ms_and_always_as_soon() -> None:
    decided = 1000 * np.array([a.decided_s for a in answers()])
    assert np.median(decided) <= 3.0
    assert np.percentile(decided, 99) <= 6.0
    assert np.percentile(decided, 95) - np.percentile(decided, 5) <= 2.0
    for percentile in (5, 50, 95, 99):
        agrees(f"model.decided_p{percentile}_ms", float(np.percentile(decided, percentile)), 1)


def test_pitch_is_known_after_one_and_a_half_periods_and_a_millisecond() -> None:
    periods = np.array([(a.locked_s - 0.001) / a.period_s for a in answers()])
    assert np.median(periods) <= 1.5
    assert np.percentile(periods, 90) <= 2.0
    whole = np.array([a.locked_s / a.period_s for a in answers()])
    agrees("model.periods_median", float(np.median(whole)), 2)
    agrees("model.periods_p90", float(np.percentile(whole, 90)), 2)


def sixteenths(string: int, fret: int, damp_s: float, seed: int) -> tuple[Signal, Signal]:
    """When a string is plucked at 160 bpm, each note stopped just before the next, and when notes are found (s)."""
    rng = np.random.default_rng(seed)
    times = 0.5 + np.arange(24) * 60 / 160 / 4 + rng.normal(0, 0.002, 24)
    ends = np.append(times[1:] - damp_s, times[-1] + 0.3)
    midi = STRINGS[string].open_midi + fret + 0.07
    plucks = [
        Pluck(float(a), midi, float(b), rng.uniform(0.5, 0.9), damp_s=damp_s) for a, b in zip(times, ends, strict=True)
    ]
    events = events_of(take_of(string, plucks, rng)[0], Rig(), RATE)
    return times, events["frame"][events["kind"] == NOTE] / RATE


#: String, fret and damping of the one case of 24 in which one of the 24 sixteenths is lost: it falls upon the old wave
#: just as that begins anew.
ONE_LOST = {(4, 7, 0.006)}


@pytest.mark.parametrize("string", sorted(STRINGS))
@pytest.mark.parametrize("fret", [0, 7])
@pytest.mark.parametrize("damp_s", [0.006, 0.002])
def test_repeated_sixteenths_at_160_bpm_are_found_and_none_invented(string: int, fret: int, damp_s: float) -> None:
    times, notes = sixteenths(string, fret, damp_s, string)
    assert len(notes) == len(times) - ((string, fret, damp_s) in ONE_LOST)
    assert np.abs(notes[:, np.newaxis] - times).min(axis=1).max() < 0.01


@pytest.mark.parametrize("string", sorted(STRINGS))
def test_of_many_sixteenths_hardly_any_is_lost_and_none_invented(string: int) -> None:
    # One that falls upon the old wave just as that begins anew changes nothing: of these one may be lost.
    lost = 0
    for fret, damp_s, seed in product((0, 3, 7, 12), (0.006, 0.002), (100, 200)):
        times, notes = sixteenths(string, fret, damp_s, seed + string)
        apart = np.abs(notes[:, np.newaxis] - times)
        hits = np.count_nonzero(apart.min(axis=0) < 0.01)
        assert len(notes) == hits
        lost += len(times) - hits
    assert lost <= 1


@pytest.mark.parametrize("string", sorted(STRINGS))
def test_neighbours_at_minus_20_db_are_not_taken_for_plucks(string: int) -> None:
    rng = np.random.default_rng(string)
    clean, _ = take_of(string, random_plucks(string, 8, rng), rng)
    distance = np.abs(np.subtract.outer(np.arange(6), np.arange(6)))
    bleed = np.where(distance == 0, 1.0, 10 ** ((-20.0 - 9.0 * (distance - 1)) / 20))
    events = events_of(clean @ bleed.T, Rig(), RATE)
    false = events[(events["string"] != string) & np.isin(events["kind"], (PLUCK, NOTE))]
    assert len(false) == 0
    assert np.count_nonzero(events["kind"] == NOTE) == 8


#: Heard by one of the two lowest strings alone, these two hold a pitch near B2 for 39 and 106 ms: taken for notes.
#: (`render`, which surveys a take first, takes only the first of them for one.) The other seven never are.
PITCHED = {"damped_string_1.flac", "body_tap_3.flac"}


def hand_overs_of_damped(kind: str, where: int | slice, proof_ms: float) -> list[float]:
    """How long the bass was lent to strings on which recorded damped strings, or taps on the body, are heard."""
    files = sorted(recorded("damped").glob(f"{kind}_*.flac"))
    assert len(files) == {"damped_string": 6, "body_tap": 3}[kind], "or the recordings are not those that were meant"
    rig = Rig.model_validate({"choice": {"proof_ms": proof_ms}})
    held: list[float] = []
    for file in files:
        sound, rate = soundfile.read(file)
        take = np.zeros((len(sound) + rate // 5, 6))
        take[rate // 5 :, where] = sound if isinstance(where, int) else sound[:, np.newaxis]
        events = events_of(take, rig, rate)
        notes = np.count_nonzero(events["kind"] == NOTE)
        if file.name in PITCHED and where in (4, 5):
            assert notes <= 2
            continue
        assert notes == 0
        passed = events[events["kind"] == HANDOVER]
        assert (passed["string"][1::2] == 0).all()
        held += list(np.diff(passed["decided"])[::2] / rate)
    return held


@needs_recordings
@pytest.mark.parametrize("string", [3, 6])
def test_a_damped_string_has_the_bass_for_a_moment_at_most_and_never_after_20_ms_of_proof(string: int) -> None:
    held = hand_overs_of_damped("damped_string", string - 1, 0.0)
    assert len(held) >= 6
    assert max(held) < 0.04
    assert hand_overs_of_damped("damped_string", string - 1, 20.0) == []


@needs_recordings
@pytest.mark.parametrize("kind", ["damped_string", "body_tap"])
def test_what_all_strings_hear_alike_never_has_the_bass(kind: str) -> None:
    assert hand_overs_of_damped(kind, slice(None), 0.0) == []


@needs_recordings
def test_a_tap_on_the_body_heard_by_one_string_alone_has_the_bass_for_a_moment_at_most() -> None:
    assert max(hand_overs_of_damped("body_tap", 5, 0.0)) < 0.045
