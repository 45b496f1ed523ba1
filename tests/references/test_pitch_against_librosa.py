"""Reported pitch against two independent methods of librosa: YIN and probabilistic YIN.

YIN: de Cheveigne and Kawahara, JASA 111 (2002). pYIN: Mauch and Dixon, "pYIN: a fundamental frequency estimator using
probabilistic threshold distributions", ICASSP 2014; librosa's answers lie on a grid of a tenth of a semitone, so it can
agree within 5 cents at best. Versions are printed (``pytest -s``) and stand in the message of a failure.

The recorded notes are read from the folder named by the environment variable ``THUMBLINE_RECORDINGS``.
"""

from importlib.metadata import version

import librosa
import numpy as np
import pytest
import soundfile

from tests.helpers.places import needs_recordings, recorded
from thumbline.dsp.memory.events import NOTE, PITCH
from thumbline.dsp.processor.processor import Processor
from thumbline.dsp.rig.model import Rig
from thumbline.dsp.synthetic.string_model import GuitarString, Pluck, Signal, render_pluck

RATE = 48_000
OPEN_MIDI = (64.0, 59.0, 55.0, 50.0, 45.0, 40.0)
VERSIONS = f"librosa {version('librosa')}, numpy {version('numpy')}"
FROM_S, TO_S = 0.4, 1.4
"""The steady part of a note, after its beginning."""
YIN_CENTS, PYIN_CENTS = 2.0, 10.0
"""Agreement on a flexible model string."""
RECORDED_YIN_CENTS, RECORDED_PYIN_CENTS, SPECTRUM_CENTS = 8.0, 12.0, 1.0
"""On recorded strings, which are stiff: the first partial, which is what is reported and what a spectrum shows, is a
little flat of the period that YIN finds."""


@pytest.fixture(scope="module", autouse=True)
def _print_versions() -> None:
    print(f"\ncompared with {VERSIONS}")


def reported_hz(note: Signal, string: int) -> float:
    """Median of Thumbline's reports in the steady part."""
    frames = np.zeros((len(note) + RATE // 10, 6))
    frames[RATE // 10 :, string - 1] = note
    events = Processor(Rig(), RATE).process(frames)[1]
    assert np.count_nonzero(events["kind"] == NOTE) >= 1
    at_s = events["frame"] / RATE - 0.1
    part = (events["kind"] == PITCH) & (events["string"] == string) & (at_s > FROM_S) & (at_s < TO_S)
    assert np.count_nonzero(part) > 50
    return float(np.median(events["value"][part]))


def steady(note: Signal) -> Signal:
    return note[round(FROM_S * RATE) : round(TO_S * RATE)]


def yin_hz(note: Signal) -> float:
    return float(np.median(librosa.yin(steady(note), fmin=70.0, fmax=1300.0, sr=RATE, frame_length=4096)))


def pyin_hz(note: Signal) -> float:
    """At a quarter of the rate and a coarse hop: it takes long, and the note is steady."""
    low = librosa.resample(steady(note), orig_sr=RATE, target_sr=RATE // 4, res_type="polyphase")
    hz, voiced, _ = librosa.pyin(low, fmin=70.0, fmax=1300.0, sr=RATE // 4, frame_length=1024, hop_length=512)
    assert voiced.mean() > 0.5
    return float(np.median(hz[voiced]))


def first_partial_hz(note: Signal, near: float) -> float:
    """The spectral peak within a semitone of ``near``: Hann window, parabola through three log magnitudes."""
    part = steady(note)
    size = 8 * len(part)
    freq, magnitude = np.fft.rfftfreq(size, 1 / RATE), np.abs(np.fft.rfft(part * np.hanning(len(part)), size))
    inside = np.flatnonzero(np.abs(freq - near) < 0.06 * near)
    i = inside[np.argmax(magnitude[inside])]
    a, b, c = np.log(magnitude[i - 1 : i + 2])
    return float(freq[i] + 0.5 * (a - c) / (a - 2 * b + c) * freq[1])


def cents(a: float, b: float) -> float:
    return float(1200 * np.log2(a / b))


@pytest.mark.parametrize(
    ("string", "midi"), [(6, 40.0), (6, 46.7), (5, 45.2), (4, 54.6), (3, 55.4), (2, 63.3), (1, 64.0), (1, 76.1)]
)
def test_model_notes_agree_with_yin_and_pyin(string: int, midi: float) -> None:
    time = np.arange(round(1.6 * RATE)) / RATE
    note, _ = render_pluck(GuitarString(OPEN_MIDI[string - 1], 0.0, sensitivity=0.3), Pluck(0, midi), time)
    ours = reported_hz(note, string)
    assert abs(cents(ours, yin_hz(note))) < YIN_CENTS, VERSIONS
    assert abs(cents(ours, pyin_hz(note))) < PYIN_CENTS, VERSIONS


RECORDED = {
    "E2_s1_01": 6,
    "F2_s1_soft_01": 6,
    "A2_s2_01": 5,
    "C3_s2_01": 5,
    "D3_s3_01": 4,
    "G3_s4_01": 3,
    "B3_s5_01": 2,
    "E4_s6_01": 1,
    "D5_s6_01": 1,
}
"""File (whose strings are counted from the lowest) and our number of its string."""


@needs_recordings
@pytest.mark.parametrize("name", RECORDED)
def test_recorded_notes_agree_with_their_spectrum_and_with_yin_and_pyin(name: str) -> None:
    frames, rate = soundfile.read(recorded("notes", f"{name}.flac"), dtype="float64", always_2d=True)
    note: Signal = np.asarray(frames[:, 0], np.float64)
    if rate != RATE:
        note = librosa.resample(note, orig_sr=rate, target_sr=RATE, res_type="polyphase")
    ours = reported_hz(note, RECORDED[name])
    assert abs(cents(ours, first_partial_hz(note, ours))) < SPECTRUM_CENTS
    assert -RECORDED_YIN_CENTS < cents(ours, yin_hz(note)) < YIN_CENTS, VERSIONS
    assert abs(cents(ours, pyin_hz(note))) < RECORDED_PYIN_CENTS, VERSIONS
