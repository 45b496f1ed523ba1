"""The bass of recorded notes at other speeds: what sounds between its partials is no louder than at full speed.

Notes: FreePats electric guitar, CC0 (`THUMBLINE_RECORDINGS`), an octave down. Each is looked at for a second, 0.4 s
after its onset, under a Blackman-Harris window (F. J. Harris, Proc. IEEE 66, 1978), whose own sidelobes are at -92 dB.
"""

from functools import cache
from pathlib import Path

import numpy as np
import pytest
import soundfile
from numpy.typing import NDArray
from scipy.signal import get_window

from tests.helpers.places import RECORDINGS
from thumbline.dsp.api.split import split
from thumbline.dsp.rig.model import Rig
from thumbline.dsp.sound.stretch import Voice, stretch

pytestmark = pytest.mark.skipif(RECORDINGS is None, reason="THUMBLINE_RECORDINGS names no folder with recordings")
#: Files, and the string that each was played on, 6 the lowest.
NOTES = (("E2_s1_01", 6), ("F2_s1_01", 6), ("A2_s2_01", 5), ("C3_s2_01", 5), ("D3_s3_01", 4), ("E3_s3_01", 4))
BEFORE_S, SETTLED_S, LOOK_S = 0.5, 0.4, 1.0
PARTIALS = 12
#: Half the width of what belongs to a partial, Hz: the main lobe of the window.
LOBE_HZ = 4.5 / LOOK_S
WELL_DB, NO_LOUDER_DB = -45.0, 3.0


@cache
def bass(file: str, string: int) -> tuple[Voice, float, float]:
    """The bass of a note, its pitch in Hz, and its onset in seconds."""
    sound, rate = soundfile.read(Path(RECORDINGS or "", "notes", f"{file}.flac"), always_2d=True)
    lead = round(BEFORE_S * rate)
    frames = np.zeros((lead + len(sound), 6))
    frames[lead:, string - 1] = 0.5 * sound[:, 0]
    found = split(frames, rate, Rig())
    own = (found.pitch.strings == string) & (found.pitch.hz > 0.0)
    hz = 0.5 * found.pitch.hz[own]
    at = np.rint(found.pitch.times[own] * rate).astype(np.int64)
    once = np.diff(at, prepend=-1) > 0
    onset_s = found.bass_rows[0].onset_s
    line = np.asarray(found.bass, np.float32).ravel()
    onsets = np.array([round(onset_s * rate)], np.int64)
    return Voice(line, rate, onsets, at[once], hz[once]), float(np.median(hz)), onset_s


def between_partials_db(sound: NDArray[np.float32], rate: int, hz: float, from_s: float) -> float:
    """The loudest thing between the first partials, in dB of the loudest partial."""
    part = sound[round(from_s * rate) :][: round(LOOK_S * rate)]
    power = np.abs(np.fft.rfft(part * get_window("blackmanharris", len(part)), 1 << 19)) ** 2
    at = np.fft.rfftfreq(1 << 19, 1.0 / rate)
    looked_at = (at > 0.6 * hz) & (at < (PARTIALS + 0.5) * hz)
    between = looked_at.copy()
    for k in range(1, PARTIALS + 2):
        near = (at > 0.985 * k * hz - 2.0) & (at < 1.03 * k * hz + 2.0)
        between &= np.abs(at - at[near][np.argmax(power[near])]) > LOBE_HZ
    return float(10.0 * np.log10(power[between].max() / power[looked_at].max()))


@pytest.mark.parametrize("speed", [90.0, 75.0, 60.0, 50.0])
@pytest.mark.parametrize(("file", "string"), NOTES)
def test_slow_speeds_add_nothing_between_the_partials(file: str, string: int, speed: float) -> None:
    """Measured: -42 to -65 dB at any speed, -41 to -61 at 100 %."""
    voice, hz, onset_s = bass(file, string)
    full = between_partials_db(voice.sound, voice.rate, hz, onset_s + SETTLED_S)
    factor = 100.0 / speed
    slow = between_partials_db(stretch(voice, factor), voice.rate, hz, (onset_s + SETTLED_S) * factor)
    if speed <= 75.0:
        assert slow < max(WELL_DB, full + NO_LOUDER_DB)
    assert slow < -40.0
