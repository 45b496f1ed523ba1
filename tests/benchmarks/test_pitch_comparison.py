"""How well and how soon pitch is found, beside other trackers in the same run.

Run with::

    python -m pytest tests/benchmarks/test_pitch_comparison.py --benchmark-only -n 0 -s

Prints tables with the date and the versions. Every tracker is told the range of the string. What it says of a moment is
known half its window later; WORLD and RAPT look at the whole sound first, so they have no delay to speak of. Of the
trackers, those that are not installed are left out: ``pip install praat-parselmouth pyworld pysptk "setuptools<81"``.

YIN: de Cheveigne and Kawahara, JASA 111 (2002). pYIN: Mauch and Dixon, ICASSP 2014. Praat's cross-correlation:
Boersma, Proc. Inst. Phonetic Sciences Amsterdam 17 (1993). Harvest: Morise, Interspeech 2017. RAPT: Talkin, in "Speech
Coding and Synthesis", Elsevier 1995. (The last three references are from memory.)
"""

import importlib
import time
import warnings
from collections.abc import Callable
from datetime import UTC, datetime
from importlib.metadata import PackageNotFoundError, version
from typing import Any

import librosa
import numpy as np
from numpy.typing import NDArray

from tests.helpers.pitch_comparison import Marks, Values, mark, melody_scores, thumbline
from tests.helpers.places import needs_recordings
from tests.material.pitch_tracks import (
    GUITAR,
    MODEL_STRINGS,
    RECORDED_STRINGS,
    SOLOS,
    Track,
    model_track,
    recorded_track,
    solo_track,
)
from thumbline.dsp.processor.processor import warm_up
from thumbline.dsp.synthetic.string_model import Signal

STEP_S = 0.005
#: pYIN is asked half as often: it takes long.
PYIN_STEP_S = 0.01


def _spans(voiced: NDArray[np.bool_], step_s: float) -> list[tuple[float, float]]:
    edges = np.flatnonzero(np.diff(np.concatenate([[0], voiced.astype(int), [0]])))
    return [(float(a) * step_s, float(b) * step_s) for a, b in edges.reshape(-1, 2)]


def _values(hz: Signal, step_s: float, late_s: float, voiced: NDArray[np.bool_] | None = None) -> Values:
    hz = np.nan_to_num(np.asarray(hz, np.float64))
    moments = np.arange(len(hz)) * step_s
    return Values(moments, moments + late_s, hz, _spans(hz > 0 if voiced is None else voiced, step_s))


def _library(name: str) -> Any:
    """Import a tracker's library; some warn of what they import themselves."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        return importlib.import_module(name)


def _window(track: Track) -> int:
    """Two and a half periods of the lowest note, in frames."""
    return 2 * round(1.25 * track.rate / track.lowest_hz)


def yin(track: Track) -> Values:
    hz = librosa.yin(
        track.sound,
        fmin=track.lowest_hz,
        fmax=track.highest_hz,
        sr=track.rate,
        frame_length=_window(track),
        hop_length=round(STEP_S * track.rate),
    )
    step_s = round(STEP_S * track.rate) / track.rate
    return _values(np.asarray(hz), step_s, _window(track) / 2 / track.rate)


def pyin(track: Track) -> Values:
    hop = round(PYIN_STEP_S * track.rate)
    hz, voiced, _ = librosa.pyin(
        track.sound,
        fmin=track.lowest_hz,
        fmax=track.highest_hz,
        sr=track.rate,
        frame_length=_window(track),
        hop_length=hop,
        fill_na=None,
    )
    return _values(np.asarray(hz), hop / track.rate, _window(track) / 2 / track.rate, np.asarray(voiced))


def praat(track: Track) -> Values:
    parselmouth = _library("parselmouth")
    pitch = parselmouth.Sound(track.sound, track.rate).to_pitch_cc(
        STEP_S, pitch_floor=track.lowest_hz, pitch_ceiling=track.highest_hz
    )
    first = round(float(pitch.xs()[0]) / STEP_S)
    hz = np.concatenate([np.zeros(first), pitch.selected_array["frequency"]])
    return _values(hz, STEP_S, 1.0 / track.lowest_hz)


def harvest(track: Track) -> Values:
    pyworld = _library("pyworld")
    hz, _ = pyworld.harvest(track.sound, track.rate, track.lowest_hz, track.highest_hz, 1000 * STEP_S)
    return _values(hz, STEP_S, np.inf)


def rapt(track: Track) -> Values:
    pysptk = _library("pysptk")
    hop = round(STEP_S * track.rate)
    sound = np.asarray(32767 * track.sound, np.float32)
    hz = pysptk.rapt(sound, track.rate, hop, min=track.lowest_hz, max=track.highest_hz, otype="f0")
    return _values(hz, hop / track.rate, np.inf)


#: Tracker: the library it is from.
TRACKERS: dict[Callable[[Track], Values], str] = {
    thumbline: "thumbline",
    yin: "librosa",
    pyin: "librosa",
    praat: "praat-parselmouth",
    harvest: "pyworld",
    rapt: "pysptk",
}


def _available() -> list[Callable[[Track], Values]]:
    found, names = [], [f"numpy {version('numpy')}", f"mir_eval {version('mir_eval')}"]
    for tracker, package in TRACKERS.items():
        try:
            names.append(f"{package} {version(package)}")
        except PackageNotFoundError:
            print(f"{tracker.__name__}: {package} is not installed")
            continue
        found.append(tracker)
    print(f"\n{datetime.now(UTC):%Y-%m-%d}; {', '.join(dict.fromkeys(names))}")
    return found


def _print(label: str, figures: dict[str, float]) -> None:
    print(f"{label:32}" + "".join(f"{value:{len(name) + 2}.{_places(name)}f}" for name, value in figures.items()))


def _places(name: str) -> int:
    return 0 if name == "times real time" else 2


def _head(names: list[str]) -> None:
    print(" " * 32 + "".join(f"  {name}" for name in names))


def _table(tracks: list[Track]) -> dict[str, dict[str, float]]:
    """Print and return the rows: each tracker on all strings, on the lowest two of a guitar, and on the lowest."""
    warm_up()
    rows: dict[str, dict[str, float]] = {}
    seconds = sum(len(track.sound) / track.rate for track in tracks)
    for tracker in _available():
        begin = time.perf_counter()
        answers = [tracker(track) for track in tracks]
        speed = seconds / (time.perf_counter() - begin)
        marks = {track.name: mark(track, values) for track, values in zip(tracks, answers, strict=True)}
        for label, names in {"all": list(marks), "guitar": list(GUITAR), "E2, A2": ["E2", "A2"], "E2": ["E2"]}.items():
            together: Marks = sum((marks[name] for name in names[1:]), marks[names[0]])
            figures = together.row() | {"times real time": speed}
            if not rows:
                _head(list(figures))
            rows[f"{tracker.__name__}, {label}"] = figures
            _print(f"{tracker.__name__}, {label}", figures)
    return rows


def _best(rows: dict[str, dict[str, float]], figure: str) -> str:
    """The tracker with the highest figure on all strings."""
    return max((row for row in rows if row.endswith(", all")), key=lambda row: rows[row][figure]).split(",")[0]


def test_model_strings(benchmark: Any) -> None:
    tracks = [model_track(name) for name in MODEL_STRINGS]
    rows = benchmark.pedantic(_table, args=(tracks,), rounds=1)
    assert _best(rows, "within 10 c, %") == "thumbline"


@needs_recordings
def test_recorded_notes(benchmark: Any) -> None:
    tracks = [recorded_track(name) for name in RECORDED_STRINGS]
    rows = benchmark.pedantic(_table, args=(tracks,), rounds=1)
    assert _best(rows, "within 10 c, %") == "thumbline"


@needs_recordings
def test_annotated_solos(benchmark: Any) -> None:
    def table() -> dict[str, list[dict[str, float]]]:
        scores: dict[str, list[dict[str, float]]] = {}
        for tracker in (thumbline, pyin):
            for name in SOLOS:
                track, moments, truth = solo_track(name)
                figures = melody_scores(moments, truth, tracker(track))
                if not scores:
                    _head(list(figures))
                scores.setdefault(tracker.__name__, []).append(figures)
                _print(f"{tracker.__name__}, {name}", figures)
        return scores

    _available()
    scores = benchmark.pedantic(table, rounds=1)
    for figure in ("raw pitch, %", "with a guess, %", "overall, %"):
        mean = {name: np.mean([row[figure] for row in rows]) for name, rows in scores.items()}
        assert mean["thumbline"] > mean["pyin"], figure
