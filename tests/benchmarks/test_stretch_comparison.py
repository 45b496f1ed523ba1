"""How well time is stretched, beside three libraries in the same run.

Run with::

    python -m pytest tests/benchmarks/test_stretch_comparison.py --benchmark-only -n 0 -s

Prints a table with the date and the versions. Model strings with exactly known truth, each alone: what a stretcher that
treats strings one by one is given. Libraries that are not installed are left out: ``pip install pedalboard`` (licence
GPL-3.0, so it is compared here and not used).

*Pitch*: first partial of the sustained note against the original's, in cents. *Onset*: when the power over 1 ms passes
a fifth of the attack's greatest, against the scaled time at which it does in the original. *Attack*: from a fifth to
nine tenths, against the original's. Greatest and median over all notes. *Speed*: seconds of sound made in a second of
processor time.
"""

import importlib
import time
from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from importlib.metadata import PackageNotFoundError, version
from typing import Any

import numpy as np
import pytest

from tests.material.voices import RATE, attack_s, first_partial_hz, onset_s, plucked
from thumbline.dsp.sound.stretch import Voice, stretch
from thumbline.dsp.sound.stretch_mixture import stretch_mixture

SPEEDS = (60, 75, 90)
ONSETS_S = (0.2, 0.9, 1.5, 2.6)
SECONDS = 4.0
#: Key and inharmonicity of each string, from a bass E to a high one.
STRINGS = ((28.0, 1e-4), (40.0, 1.2e-4), (45.0, 1e-4), (50.0, 8e-5), (55.0, 6e-5), (59.0, 4e-5), (64.0, 3e-5))

Stretcher = Callable[[Voice, float], np.ndarray]


def pitch_synchronous(voice: Voice, factor: float) -> np.ndarray:
    return stretch(voice, factor)


def signalsmith(voice: Voice, factor: float) -> np.ndarray:
    return stretch_mixture(voice.sound[:, None], RATE, factor, round(factor * len(voice.sound)))[:, 0]


def phase_vocoder(voice: Voice, factor: float) -> np.ndarray:
    import librosa

    return librosa.effects.time_stretch(voice.sound, rate=1.0 / factor)


def rubber_band(voice: Voice, factor: float) -> np.ndarray:
    pedalboard = importlib.import_module("pedalboard")  # of the extra `stretchers` alone

    return pedalboard.time_stretch(voice.sound[None, :], RATE, stretch_factor=1.0 / factor)[0]


STRETCHERS: dict[Stretcher, str] = {
    pitch_synchronous: "thumbline",
    signalsmith: "python-stretch",
    phase_vocoder: "librosa",
    rubber_band: "pedalboard",
}


def _available() -> Iterator[tuple[Stretcher, str]]:
    for stretcher, package in STRETCHERS.items():
        try:
            yield stretcher, f"{package} {version(package)}"
        except PackageNotFoundError:
            continue


def _errors(stretcher: Stretcher) -> dict[str, Any]:
    pitch, onset, attack = [], [], []
    made_s = processor_s = 0.0
    for midi, stiffness in STRINGS:
        voice = plucked(midi, ONSETS_S, SECONDS, stiffness)
        for speed in SPEEDS:
            factor = 100 / speed
            stretcher(voice.part(0, RATE // 2), factor)  # warm
            begun = time.process_time()
            slow = np.asarray(stretcher(voice, factor))
            processor_s += time.process_time() - begun
            made_s += len(slow) / RATE
            for begin, end in ((1.7, 2.4), (2.8, 3.8)):
                first, last = round(begin * RATE), round(end * RATE)
                near = float(voice.hz[-1])
                was = first_partial_hz(voice.sound[first:last], near)
                now = first_partial_hz(slow[round(first * factor) : round(last * factor)], near)
                pitch.append(1200 * abs(np.log2(now / was)))
            for time_s in ONSETS_S:
                late = onset_s(voice.sound, time_s) - time_s
                onset.append(1e3 * abs(onset_s(slow, time_s * factor) - factor * time_s - late))
                attack.append(1e3 * abs(attack_s(slow, time_s * factor) - attack_s(voice.sound, time_s)))
    return {"pitch": pitch, "onset": onset, "attack": attack, "speed": made_s / processor_s}


@pytest.mark.benchmark
def test_stretchers_side_by_side(benchmark: Any) -> None:
    rows, names = benchmark.pedantic(
        lambda: ({s.__name__: _errors(s) for s, _ in _available()}, [name for _, name in _available()]), rounds=1
    )
    print(f"\n{datetime.now(UTC):%Y-%m-%d}; {', '.join(names)}; speeds {', '.join(map(str, SPEEDS))} %")
    print(f"{'':20s}{'pitch, cents':>18s}{'onset, ms':>18s}{'attack, ms':>18s}{'speed':>10s}")
    print(f"{'':20s}" + f"{'median   greatest':>18s}" * 3 + f"{'x real':>10s}")
    for name, row in rows.items():
        figures = "".join(f"{np.median(row[k]):8.2f}{np.max(row[k]):10.2f}" for k in ("pitch", "onset", "attack"))
        print(f"{name:20s}{figures}{row['speed']:10.0f}")
    ours = rows["pitch_synchronous"]
    assert max(ours["pitch"]) < 3.0
    assert max(ours["onset"]) < 5.0
    assert max(ours["attack"]) < 2.0
