"""Reported pitches, how clear they were, and whether they were right: what the tables of confidence are made from.

Run with::

    python -m tests.material.confidence_material

Prints the tables of ``thumbline.dsp.processor.confidence`` anew, from the first half of the material.
"""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass

import numpy as np
import soundfile
from numpy.typing import NDArray

from tests.helpers.pitch_comparison import events_of
from tests.helpers.places import recorded
from tests.material.pitch_tracks import (
    MODEL_STRINGS,
    RATE,
    RECORDED_STRINGS,
    SOLOS,
    Track,
    model_track,
    random_plucks,
    recorded_track,
    solo_track,
    take_of,
)
from thumbline.dsp.memory.events import END, LOCK, NOTE, PITCH, PLUCK
from thumbline.dsp.processor.confidence import CLARITY
from thumbline.dsp.rig.model import Rig
from thumbline.dsp.synthetic.demo_score import STRINGS
from thumbline.dsp.synthetic.model_take import hiss
from thumbline.dsp.synthetic.string_model import Signal

#: A value is right if it and those of this long after it are within 50 cents of the truth.
STAYS_S = 0.05
#: In a pick's noise the pitch to come is the truth; after a note's end nothing is asked for a while.
PICK_S, MODEL_PICK_S, AFTER_S = 0.04, 0.004, 0.25
#: The solos are cut into stretches of this length, which belong to the halves in turn.
SOLO_PART_S = 4.0


@dataclass(frozen=True)
class Reported:
    """Values of one kind of material: clarity, whether the pluck was a note by then, whether it was right."""

    kind: str
    clarity: Signal
    proved: NDArray[np.bool_]
    right: NDArray[np.bool_]


def _ahead(truth: Signal, seconds: float) -> Signal:
    """The truth, and before a note begins the note's, NaN elsewhere."""
    known = np.flatnonzero(truth > 0)
    result = np.where(truth > 0, truth, np.nan)
    if len(known):
        following = np.minimum(np.searchsorted(known, np.arange(len(truth))), len(known) - 1)
        ahead = known[following] - np.arange(len(truth))
        near = (ahead > 0) & (ahead < seconds * RATE)
        result[near] = truth[known[following]][near]
    return result


def _reported(kind: str, events: np.ndarray, truth: Signal, asked: NDArray[np.bool_] | None = None) -> Reported:
    """Judge one string's events. Truth in Hz for each frame, NaN where no note sounds; ``asked``: what is judged."""
    proved, stretch = False, 0
    rows: list[tuple[int, float, float, bool, int]] = []
    for event in events:
        if event["kind"] in (PLUCK, END):
            proved, stretch = False, stretch + 1
        elif event["kind"] == NOTE:
            proved = True
        elif event["kind"] in (LOCK, PITCH):
            rows.append((min(event["frame"], len(truth) - 1), event["value"], event["extra"], proved, stretch))
    if not rows:
        return Reported(kind, np.zeros(0), np.zeros(0, np.bool_), np.zeros(0, np.bool_))
    frame, hz, clarity, was_proved, spans = (np.array(column) for column in zip(*rows, strict=True))
    good = np.abs(1200 * np.log2(hz / np.where(np.isnan(truth[frame]), 1.0, truth[frame]))) < 50
    good &= ~np.isnan(truth[frame])
    known = np.concatenate([[0], np.cumsum(truth > 0)])
    faded = np.isnan(truth[frame]) & (known[frame] > known[np.maximum(0, frame - round(AFTER_S * RATE))])
    judged = ~faded if asked is None else ~faded & asked[frame]
    right = good.copy()
    for i in range(len(frame)):
        near = slice(i, i + 100)  # more than come in that time
        later = (spans[near] == spans[i]) & (frame[near] < frame[i] + STAYS_S * RATE) & judged[near]
        right[i] &= bool(good[near][later].all())
    return Reported(kind, clarity[judged], was_proved[judged], right[judged])


def _alone(track: Track) -> np.ndarray:
    frames = np.zeros((len(track.sound), len(track.tuning)))
    frames[:, track.string - 1] = track.sound
    rig = Rig.model_validate({"instrument": {"strings": track.tuning, "frets": track.frets}})
    events = events_of(frames, rig, track.rate)
    return events[events["string"] == track.string]


def model_values(half: int, seed: int = 70) -> Iterator[Reported]:
    """Model strings: half of the compared ones; others alone, in hiss at -45 dBFS, and with neighbours."""
    for name in list(MODEL_STRINGS)[half::2]:
        track = model_track(name)
        yield _reported("model", _alone(track), _ahead(track.truth_hz, MODEL_PICK_S))
    distance = np.abs(np.subtract.outer(np.arange(6), np.arange(6)))
    bleed = np.where(distance == 0, 1.0, 10 ** ((-17.0 - 9.0 * (distance - 1)) / 20))
    for string in STRINGS:
        rng = np.random.default_rng(seed + 10 * half + string)
        take, hz = take_of(string, random_plucks(string, 10, rng), rng)
        truth = _ahead(hz, MODEL_PICK_S)
        noisy = take + hiss(len(take), 6, -45.0, rng)
        for kind, frames in {"model": take, "hiss": noisy, "neighbours": take @ bleed.T}.items():
            events = events_of(frames, Rig(), RATE)
            for each in range(1, 7):
                here = truth if each == string else np.full(len(truth), np.nan)
                yield _reported(kind, events[events["string"] == each], here)


def bursts(half: int) -> Iterator[Reported]:
    """Noise that dies like a pluck, twenty times."""
    rng = np.random.default_rng(half)
    take = hiss(6 * RATE, 6, -60.0, rng)
    length = RATE // 8
    for i in range(20):
        begin = round((0.3 + 0.25 * i) * RATE)
        take[begin : begin + length, i % 6] += rng.normal(0, 0.1, length) * np.exp(-np.arange(length) / 1500)
    events = events_of(take, Rig(), RATE)
    for string in range(1, 7):
        yield _reported("bursts", events[events["string"] == string], np.full(len(take), np.nan))


def recorded_values(half: int) -> Iterator[Reported]:
    """Every second recorded note, every second stretch of the solos."""
    for name in RECORDED_STRINGS:
        track = recorded_track(name)
        events, truth = _alone(track), _ahead(track.truth_hz, PICK_S)
        cuts = [0, *(round((pluck - 0.2) * RATE) for pluck in track.plucks_s[1:]), len(truth)]
        for i in range(half, len(track.plucks_s), 2):
            inside = (events["frame"] >= cuts[i]) & (events["frame"] < cuts[i + 1])
            yield _reported("recorded", events[inside], truth)
    for name in SOLOS:
        track, times, hz = solo_track(name)
        truth, asked = np.full(len(track.sound), np.nan), np.zeros(len(track.sound), np.bool_)
        for time, value in zip(times, hz, strict=True):
            near = slice(max(0, round(time * track.rate) - 128), round(time * track.rate) + 128)
            truth[near] = value if value > 0 else np.nan
            asked[near] = time // SOLO_PART_S % 2 == half
        yield _reported("solos", _alone(track), truth, asked)


def damped_values(half: int) -> Iterator[Reported]:
    """Damped strings and knocks, each on every second channel."""
    for i, file in enumerate(sorted(recorded("damped").glob("*.flac"))):
        sound, rate = soundfile.read(file)
        for string in range((i + half) % 2, 6, 2):
            take = np.zeros((len(sound) + rate // 5, 6))
            take[rate // 5 :, string] = sound
            events = events_of(take, Rig(), rate)
            yield _reported("damped", events[events["string"] == string + 1], np.full(len(take), np.nan))


def joined(values: Iterable[Reported]) -> Reported:
    """All values in one."""
    some = list(values)
    return Reported(
        "all",
        np.concatenate([each.clarity for each in some]),
        np.concatenate([each.proved for each in some]),
        np.concatenate([each.right for each in some]),
    )


def isotonic(x: Signal, y: Signal) -> tuple[Signal, Signal]:
    """Pool adjacent violators: ``x`` sorted, and the rising curve through ``y`` with the least squares."""
    order = np.argsort(x)
    pools: list[list[float]] = []
    for value in y[order]:
        pools.append([float(value), 1.0])
        while len(pools) > 1 and pools[-2][0] > pools[-1][0]:
            mean, count = pools.pop()
            before = pools[-1]
            pools[-1] = [(before[0] * before[1] + mean * count) / (before[1] + count), before[1] + count]
    return x[order], np.concatenate([np.full(int(count), mean) for mean, count in pools])


def main() -> None:
    values = joined([*model_values(0), *bursts(0), *recorded_values(0), *damped_values(0)])
    widths = np.array([0.05, 0.03, 0.03, 0.02, 0.015, 0.008, 0.003, 0.002])
    tables = {}
    for name, some in {"UNPROVED": ~values.proved, "PROVED": values.proved}.items():
        x, y = isotonic(values.clarity[some], values.right[some].astype(float))
        tables[name] = np.array([y[np.abs(x - at) <= width].mean() for at, width in zip(CLARITY, widths, strict=True)])
    # The few unproved values of the highest clarity may all be right; none is said to be surer than a proved one.
    tables["UNPROVED"] = np.minimum(tables["UNPROVED"], tables["PROVED"] - 0.001)
    for name, table in tables.items():
        print(name, "=", tuple(round(float(share), 3) for share in table))


if __name__ == "__main__":
    main()
