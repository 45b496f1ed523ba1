"""What the processor says of a string whose pitch is known, and how such answers are scored.

A tracker sees the sound and the range of the string; it answers with *values*: what it says of which moment, and when
it could have said it at the earliest.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import mir_eval
import numpy as np
from numpy.typing import NDArray

from tests.material.pitch_tracks import Track
from thumbline.dsp.calibration.survey import complete, survey
from thumbline.dsp.memory.events import END, LOCK, NOTE, PITCH
from thumbline.dsp.processor.processor import Processor
from thumbline.dsp.rig.model import Rig
from thumbline.dsp.synthetic.string_model import Signal


@dataclass(frozen=True)
class Values:
    """Answers in order of the time they speak of; known at the earliest; Hz, 0 for none; where there were notes."""

    time_s: Signal
    known_s: Signal
    hz: Signal
    notes_s: Sequence[tuple[float, float]]

    def at(self, time: Signal) -> Signal:
        """The newest answers at ``time`` in Hz."""
        newest = np.searchsorted(self.time_s, time + 1e-6, "right") - 1
        return np.where(newest < 0, 0.0, self.hz[newest])

    def held(self) -> "Values":
        """The same where each answer counts until the next one, even if none is given meanwhile."""
        last = np.maximum.accumulate(np.where(self.hz > 0, np.arange(len(self.hz)), 0))
        return replace(self, hz=self.hz[last])

    def voiced(self, time: Signal) -> NDArray[np.bool_]:
        return np.array([any(begin <= t < end for begin, end in self.notes_s) for t in time])


def events_of(frames: Signal, rig: Rig, rate: int) -> np.ndarray:
    """All events of a take, shape (frames, strings), with what the rig leaves open measured first."""
    take = np.asarray(frames, np.float64)
    rig = complete(rig, survey(lambda: iter([take]), rig, rate))
    processor = Processor(rig, rate)
    return np.concatenate([processor.process(take)[1], processor.finish()])


def thumbline(track: Track) -> Values:
    """The processor: its reports on the string, the others being at rest."""
    frames = np.zeros((len(track.sound), len(track.tuning)))
    frames[:, track.string - 1] = track.sound
    rig = Rig.model_validate({"instrument": {"strings": track.tuning, "frets": track.frets}})
    rows: list[tuple[float, float, float]] = [(0.0, 0.0, 0.0)]
    notes: list[tuple[float, float]] = []
    begun = None
    for event in events_of(frames, rig, track.rate):
        if event["string"] != track.string:
            continue
        time, known = event["frame"] / track.rate, event["decided"] / track.rate
        if event["kind"] == NOTE:
            begun = time
        elif event["kind"] in (LOCK, PITCH):
            rows.append((time, known, event["value"]))
        elif event["kind"] == END:
            if begun is not None:
                notes.append((begun, time))
            begun = None
            rows.append((time, known, 0.0))
    rows.sort(key=lambda row: row[0])
    time, known, hz = np.array(rows, np.float64).T
    return Values(time, known, hz, notes)


#: A right pitch is asked for every so often, from so long after the pluck (how soon it is known is measured apart) and
#: while the string is so loud beside its note's loudest.
ASK_S, ATTACK_S, FAINT_DB = 0.01, 0.05, -40.0
SUSTAINED_S = 0.3
#: Voicing is not asked for this close to a beginning or an end.
COLLAR_S = 0.02
#: A value that is right, and all after it up to this time, was right to stay.
STAYS_S = 0.15


def cents(hz: Signal, truth: Signal) -> Signal:
    """Error in cents; infinite where there is no answer or nothing to be answered."""
    error = np.full(len(hz), np.inf)
    given = (hz > 0) & (truth > 0)
    error[given] = 1200 * np.log2(hz[given] / truth[given])
    return error


@dataclass(frozen=True)
class Marks:
    """What the answers to a track got: errors in cents, voicing where there was a note and where not, delays."""

    error: Signal
    sustained: Signal
    recalled: NDArray[np.bool_]
    false_alarm: NDArray[np.bool_]
    delay_s: Signal

    def __add__(self, other: "Marks") -> "Marks":
        return Marks(*(np.concatenate(pair) for pair in zip(vars(self).values(), vars(other).values(), strict=True)))

    def row(self) -> dict[str, float]:
        """The figures of a table; an octave error is within 50 cents of a wrong octave."""
        size = np.abs(self.error[np.isfinite(self.error)])
        octaves = np.rint(size / 1200)
        wrong_octave = np.count_nonzero((octaves > 0) & (np.abs(size - 1200 * octaves) < 50))
        return {
            "within 50 c, %": 100 * np.count_nonzero(size < 50) / len(self.error),
            "within 10 c, %": 100 * np.count_nonzero(size < 10) / len(self.error),
            "octave, %": 100 * wrong_octave / len(self.error),
            "sustained, c": float(np.median(np.abs(self.sustained))),
            "recall, %": 100 * float(self.recalled.mean()),
            "false alarm, %": 100 * float(self.false_alarm.mean()),
            "delay, ms": 1000 * float(np.percentile(self.delay_s, 50, method="higher")),
            "p90, ms": 1000 * float(np.percentile(self.delay_s, 90, method="higher")),
        }


def mark(track: Track, values: Values) -> Marks:
    """Score the answers to a track."""
    time = np.arange(0.0, len(track.sound) / track.rate, ASK_S)
    at = (time * track.rate).astype(int)
    truth = track.truth_hz[at]
    error = cents(values.at(time), truth)
    plucks = np.array(track.plucks_s)
    latest = np.searchsorted(plucks, time, "right") - 1
    since = np.where(latest >= 0, time - plucks[latest], 0.0)
    span = track.rate // 50
    power = np.convolve(track.sound**2, np.ones(span) / span, "same")[at]
    loudest = np.array([power[latest == i].max() for i in range(len(plucks))])
    audible = np.isfinite(truth) & (power > 10 ** (FAINT_DB / 10) * loudest[latest])
    changes = np.flatnonzero(np.diff(np.isfinite(track.truth_hz))) / track.rate
    clear = np.abs(time[:, np.newaxis] - changes).min(axis=1) > COLLAR_S
    voiced = values.voiced(time)
    return Marks(
        error[audible & (since >= ATTACK_S)],
        error[audible & (since >= SUSTAINED_S)],
        voiced[audible & clear],
        voiced[np.isnan(truth) & clear],
        np.array([delay(track, values, pluck) for pluck in plucks]),
    )


def delay(track: Track, values: Values, pluck_s: float) -> float:
    """Seconds from a pluck until a value is known that is right and stays; infinite if there is none."""
    inside = np.flatnonzero((values.time_s >= pluck_s) & (values.time_s < pluck_s + STAYS_S))
    error = cents(values.hz[inside], track.truth_hz[(values.time_s[inside] * track.rate).astype(int)])
    wrong = np.flatnonzero(np.abs(error) >= 50)
    right = inside[wrong[-1] + 1 :] if len(wrong) else inside
    return float(values.known_s[right[0]]) - pluck_s if len(right) else np.inf


def melody_scores(time: Signal, truth_hz: Signal, values: Values) -> dict[str, float]:
    """Scores of mir_eval.melody (Raffel et al., ISMIR 2014; measures of Poliner et al., IEEE TASLP 15, 2007), in %.

    Raw pitch asks for a guess where a tracker hears no note too. pYIN has one of its own; ours is the last pitch.
    """
    hz, voiced = values.at(time), values.voiced(time)
    guess = mir_eval.melody.hz2cents(values.held().at(time))
    reference_cents = mir_eval.melody.hz2cents(truth_hz)
    pair = (truth_hz > 0, reference_cents, voiced, mir_eval.melody.hz2cents(hz))
    recall, false_alarm = mir_eval.melody.voicing_measures(truth_hz > 0, voiced)
    scores = {
        "raw pitch, %": mir_eval.melody.raw_pitch_accuracy(*pair),
        "with a guess, %": mir_eval.melody.raw_pitch_accuracy(*pair[:3], guess),
        "raw chroma, %": mir_eval.melody.raw_chroma_accuracy(*pair),
        "recall, %": recall,
        "false alarm, %": false_alarm,
        "overall, %": mir_eval.melody.overall_accuracy(*pair),
    }
    return {name: 100 * float(value) for name, value in scores.items()}
