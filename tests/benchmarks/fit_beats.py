"""Fit the weights by which beats are compared, and say how far they hold for playing they were not fitted to.

Run with the folder of recordings in THUMBLINE_RECORDINGS::

    python -m tests.benchmarks.fit_beats [--grooves FOLDER] [--write]

Material: performances made by rule, 24 recorded ones (GuitarSet), written music (`tests.material.scores`), grooves of
an accompaniment program (`tests.material.grooves`) if their folder is given, and playing without a beat. The weights
make the right readings of all performances likeliest together (maximum likelihood), held to a multiple of weights
chosen by hand. Then one style, one song or a sixth of the grooves is left out in turn, and judged by weights fitted to
the rest; all likelihoods are flattened by the one power that makes what is left out likeliest. Then each source is left
out as a whole and estimated as the program does it. ``--write`` writes ``dsp/beats/weights.py``.
"""

import argparse
import os
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path

import mir_eval
import numpy as np
from numpy.typing import NDArray
from scipy.optimize import minimize

from tests.helpers.beat_truth import bar_right, beats_right
from tests.helpers.places import ROOT
from tests.material.begun_later import begun_later
from tests.material.grooves import grooves
from tests.material.performances import STYLES, Performance, perform, without_a_beat
from tests.material.recorded_timing import recorded
from tests.material.scores import scores
from thumbline.dsp.beats import reading
from thumbline.dsp.beats.evidence import moments_of
from thumbline.dsp.beats.features import MOST_MOMENTS, NAMES
from thumbline.dsp.beats.reading import Family, bent_readings, strict_readings
from thumbline.dsp.beats.tempo import estimate_beats

#: Weights chosen by hand, in nats; all others are 0.
BY_HAND = {
    "timing": 1.0,
    "pattern": 1.0,
    "bass pattern": 0.5,
    "change pattern": 0.7,
    "tempo": 15.0,
    "idle beats": -90.0,
    "starts with a bar": 8.5,
    "starts on a beat": 2.0,
    "bends": -12.0,
    "bends, per moment": -0.4,
}
#: How strongly weights are held to those, and how much a recorded performance counts.
HELD, RECORDED_COUNTS = 5.0, 4.0
#: Readings of a performance that are kept: those best by hand, and others at random.
BEST, OTHERS = 220, 60
PERFORMANCES_A_STYLE = 8
FOLDS_OF_GROOVES = 6
#: Beats this near to those that were meant are close, s; how much later performances begin when they are tried again.
CLOSE_S, LATE_S = 0.025, 0.37
POWERS = (0.5, 0.6, 0.7, 0.8, 0.9, 1.0)
Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Readings:
    """Readings of a performance, the last of which is that none is right."""

    performance: Performance
    kind: str  #: recorded, made, written, groove
    fold: str  #: what is left out together
    features: NDArray[np.float32]  #: (readings, features and two for the last)
    beat: NDArray[np.int64]  #: readings that have the same beats have the same number
    beat_right: NDArray[np.bool_]
    right: NDArray[np.bool_]  #: beat and bar
    pace: Floats  #: of each reading over what was meant; 0 if nothing was


def material(groove_folder: Path | None) -> Iterator[tuple[str, str, Performance]]:
    """Kind, fold and performance."""
    found = recorded(os.environ["THUMBLINE_RECORDINGS"])
    for each in found:
        yield "recorded", each.name.split("_")[1], each
    for style in STYLES:
        for i, pace in enumerate(["steady"] * PERFORMANCES_A_STYLE + ["faster", "slower", "free"]):
            yield "made", style, perform(style, 100 + i, pace)
    for i in range(20):
        yield "made", "free", without_a_beat(i, found[2 * (i // 2)] if i % 2 else None)
    for folder, each in scores():
        yield "written", folder, each
    for i, each in enumerate(grooves(groove_folder) if groove_folder else ()):
        yield "groove", f"grooves {i // 2 % FOLDS_OF_GROOVES}", each


def readings(kind: str, fold: str, performance: Performance) -> Readings:
    """Read a performance every way."""
    moments, per_bar = moments_of(performance.notes, performance.bassline), performance.beats_per_bar
    families = [*strict_readings(moments, per_bar), *bent_readings(moments, per_bar)]
    rows = np.concatenate([family.features for family in families])
    right, beat_right, pace, beat = _told(performance, families)
    score = rows @ np.array([BY_HAND.get(name, 0.0) for name in NAMES])
    keep = beat_right.copy()
    keep[np.argsort(-score)[:BEST]] = True
    keep[np.random.default_rng(1).choice(len(rows), min(OTHERS, len(rows)), replace=False)] = True
    features = np.zeros((np.count_nonzero(keep) + 1, len(NAMES) + 2), np.float32)
    features[:-1, :-2], features[-1, -2:] = rows[keep], (1.0, min(len(moments), MOST_MOMENTS) / 100.0)
    return Readings(
        performance,
        kind,
        fold,
        features,
        np.append(beat[keep], -1),
        np.append(beat_right[keep], not beat_right.any()),
        np.append(right[keep], not right.any()),
        np.append(pace[keep], 0.0),
    )


def _told(
    performance: Performance, families: list[Family]
) -> tuple[NDArray[np.bool_], NDArray[np.bool_], Floats, NDArray[np.int64]]:
    """Which readings are right, which beats, at what pace, and which have the same beats."""
    middle_s = 0.5 * (performance.notes[0].onset_s + performance.notes[-1].onset_s)
    meant_s = float(np.median(np.diff(performance.beats_s))) if len(performance.beats_s) else 0.0
    known: dict[tuple[int, int], int] = {}
    rows: list[tuple[bool, bool, float, int]] = []
    for family in families:
        period_s = float(np.median(np.diff(family.times_s)))
        middle = float(np.interp(middle_s, family.times_s, np.arange(len(family.times_s))))
        by_part = [family.beats(part) for part in range(family.parts)]
        good = [beats_right(performance, beats) for beats in by_part]
        for place in range(len(family.features)):
            whole, part = divmod(place, family.parts)
            first = (family.origin + whole) % performance.beats_per_bar
            bars_s = by_part[part][first :: performance.beats_per_bar]
            key = (round(np.log2(period_s) / 0.03), round(6.0 * (middle - part / family.parts)) % 6)
            bar = good[part] and len(bars_s) > 0 and bar_right(performance, bars_s)
            rows.append((bar, good[part], meant_s / period_s, known.setdefault(key, len(known))))
    right, beat_right, pace, beat = zip(*rows, strict=True)
    return np.array(right), np.array(beat_right), np.array(pace), np.array(beat)


class Fit:
    """Maximum likelihood for a set of performances."""

    def __init__(self, all_readings: list[Readings]) -> None:
        self.size = np.array([len(each.features) for each in all_readings])
        self.start = np.concatenate([[0], np.cumsum(self.size)[:-1]])
        features = np.concatenate([each.features for each in all_readings])
        spread = np.sqrt(np.mean([np.var(each.features, axis=0) for each in all_readings], axis=0)) + 1e-6
        spread[-2:] = 1.0
        self.spread: Floats = spread.astype(np.float64)
        self.features = (features / spread).astype(np.float32)
        self.right = np.concatenate([each.right for each in all_readings])
        self.by_hand: Floats = self.spread * np.array([*(BY_HAND.get(name, 0.0) for name in NAMES), 0.0, 0.0])

    def weights(self, counts: Floats) -> Floats:
        """Weights of the features as they are, fitted to performances that count so much."""
        start = np.append(np.zeros(len(self.spread)), 0.1)
        found = minimize(self._loss, start, (counts,), jac=True, method="L-BFGS-B", options={"maxiter": 150})
        return (found.x[:-1] + found.x[-1] * self.by_hand) / self.spread

    def _loss(self, free: Floats, counts: Floats) -> tuple[float, Floats]:
        score = (self.features @ (free[:-1] + free[-1] * self.by_hand).astype(np.float32)).astype(np.float64)
        score -= np.repeat(np.maximum.reduceat(score, self.start), self.size)
        likely = np.exp(score)
        every = np.add.reduceat(likely, self.start)
        good = np.add.reduceat(likely * self.right, self.start) + 1e-300
        slope = likely / np.repeat(every, self.size) - likely * self.right / np.repeat(good, self.size)
        by_feature = self.features.T @ (slope * np.repeat(counts, self.size)).astype(np.float32)
        held = np.append(free[:-3], [0.0, 0.0])
        loss = float((counts * (np.log(every) - np.log(good))).sum() + 0.5 * HELD * held @ held)
        return loss, np.append(by_feature + HELD * held, by_feature @ self.by_hand)


def judge(each: Readings, weights: Floats, power: float) -> tuple[float, bool, bool, float, float]:
    """How sure the likeliest beats are, whether they are right, whether the bar is, their pace, and the loss."""
    score = power * (each.features.astype(np.float64) @ weights)
    likely = np.exp(score - score.max())
    likely /= likely.sum()
    mass = np.bincount(each.beat[:-1], likely[:-1])
    at = np.flatnonzero(each.beat[:-1] == np.argmax(mass))
    best = at[np.argmax(likely[at])]
    loss = -float(np.log(likely[each.beat_right].sum() + 1e-9))
    return float(mass.max()), bool(each.beat_right[best]), bool(each.right[best]), float(each.pace[best]), loss


def main() -> None:
    """Fit, leave out, print, write."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--grooves", type=Path)
    parser.add_argument("--write", action="store_true")
    asked = parser.parse_args()
    everything = [readings(*each) for each in material(asked.grooves)]
    fit = Fit(everything)
    counts = np.array([RECORDED_COUNTS if each.kind == "recorded" else 1.0 for each in everything])
    folds = np.array([each.fold for each in everything])
    left_out = {fold: fit.weights(counts * (folds != fold)) for fold in sorted(set(folds.tolist()))}
    told = {p: np.array([judge(each, left_out[each.fold], p) for each in everything]) for p in POWERS}
    power = min(POWERS, key=lambda p: float(told[p][:, 4].mean()))
    print(f"{len(everything)} performances, {len(left_out)} folds, power {power}")
    report(everything, told[power])
    kinds = np.array([each.kind for each in everything])
    for kind in sorted(set(kinds.tolist())):
        weights = power * fit.weights(counts * (kinds != kind))
        estimated(kind, [each.performance for each in everything if each.kind == kind], weights)
    if asked.write:
        write(power * fit.weights(counts))


def report(everything: list[Readings], told: Floats) -> None:
    """Print how many are right, and stated confidence against it."""
    steady = np.array([each.performance.steady for each in everything])
    meant = np.array([len(each.performance.beats_s) > 0 for each in everything])
    kinds = np.array([each.kind for each in everything])
    sure, beat, bar, pace, _ = told.T
    near = np.abs(pace[:, np.newaxis] / np.array([0.5, 1.0, 2.0]) - 1.0) < 0.01
    sets = {kind: (kinds == kind) & steady for kind in ("recorded", "made", "written", "groove")}
    for name, here in (sets | {"faster or slower": meant & ~steady, "no beat": ~meant}).items():
        if here.any():
            shares = (near.any(axis=1), near[:, 1], beat, bar, sure, sure >= 0.5)
            print(name, np.count_nonzero(here), *(f"{each[here].mean():.3f}" for each in shares))
    edges = (0.0, 0.2, 0.4, 0.6, 0.8, 0.9, 0.97, 1.01)
    right = beat.astype(bool) & meant
    for low, high in pairwise(edges):
        here = (sure >= low) & (sure < high)
        if here.any():
            print(
                f"stated {low:.2f} to {high:.2f}: {here.sum()}, {sure[here].mean():.2f}, right {right[here].mean():.2f}"
            )
    for each, row in zip(everything, told, strict=True):
        if each.kind == "recorded" and not (row[1] and row[2]):
            print(
                "  ",
                each.performance.name,
                f"sure {row[0]:.2f}, beat {row[1]:.0f}, bar {row[2]:.0f}, pace {row[3]:.3f}",
            )


def estimated(kind: str, performances: list[Performance], weights: Floats) -> None:
    """Print how well the program estimates steady performances by these weights, also where they begin later."""
    reading.FITTED[:] = weights
    steady = [each for each in performances if each.steady]
    for late_s in (0.0, LATE_S):
        rows = np.array([_estimated(begun_later(each, late_s)) for each in steady])
        print(
            f"{kind} left out, begun {late_s:.2f} s later: {len(rows)}",
            *(f"{share:.3f}" for share in rows.mean(axis=0)),
        )


def _estimated(performance: Performance) -> tuple[float, ...]:
    """Tempo or half or double of it, octave, beats within 25 ms, F at 70 ms, beats and bar right, how sure."""
    found = estimate_beats(performance.notes, performance.bassline, performance.end_s, performance.beats_per_bar, None)
    pace = found.bpm * float(np.median(np.diff(performance.beats_s))) / 60.0
    first_s = performance.notes[0].onset_s - 0.5 * 60.0 / found.bpm
    meant = performance.beats_s[(performance.beats_s >= first_s) & (performance.beats_s <= performance.end_s)]
    near = np.abs(found.times_s[:, np.newaxis] - meant).min(axis=0) < CLOSE_S
    beats = found.times_s[(found.times_s >= meant[0] - 0.07) & (found.times_s <= meant[-1] + 0.07)]
    right = beats_right(performance, found.times_s)
    bar = right and bar_right(performance, found.times_s[found.downbeat :: found.beats_per_bar])
    share = mir_eval.beat.f_measure(meant, beats)
    tempo = any(abs(pace / times - 1.0) < 0.01 for times in (0.5, 1.0, 2.0))
    return (tempo, abs(pace - 1.0) < 0.01, float(near.mean()), share, right, bar, found.confidence or 0.0)


def write(weights: Floats) -> None:
    """Write the module of weights."""
    lines = [
        '"""Weights of the features of a reading, in nats, as fitted by ``tests/benchmarks/fit_beats.py``."""\n',
        "from collections.abc import Mapping\n",
        "WEIGHTS: Mapping[str, float] = {",
        *(f'    "{name}": {weight:.4g},' for name, weight in zip(NAMES, weights[:-2], strict=True)),
        "}",
        "#: Score of the chance that no reading is right: at all, and for a hundred moments.",
        f"NONE, NONE_PER_HUNDRED = {weights[-2]:.4g}, {weights[-1]:.4g}",
    ]
    (ROOT / "dsp" / "beats" / "weights.py").write_text("\n".join(lines) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
