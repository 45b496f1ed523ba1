"""When a model string is let go, and what is no second note: a hand that stops it, a finger that slides."""

import numpy as np
import pytest

from tests.dsp.kernel.test_string_update import RATE, clean, listen, open_note
from tests.material.rigs import quiet_rig
from thumbline.dsp.memory.events import PLUCK
from thumbline.dsp.synthetic.string_model import Pluck


def touched(string: int, touch_s: float, below_db: float) -> np.ndarray:
    """Frames of a pluck at 0.3 s; the pick rests on the string before, and rustles ``below_db`` under the note."""
    frames = clean({string: [Pluck(0.3, open_note(string) + 3, 0.9, 0.9)]}, 1.3)
    loudest = np.sqrt(np.convolve(frames[:, string - 1] ** 2, np.full(48, 1 / 48), "same").max())
    begin, end = round((0.3 - touch_s) * RATE), round(0.3 * RATE)
    noise = np.random.default_rng(string).standard_normal(end - begin)
    noise = np.convolve(noise, np.full(24, 1 / np.sqrt(24)), "same")  # as dull as what a string passes on
    noise /= np.sqrt(np.convolve(noise**2, np.full(48, 1 / 48), "same").max())
    frames[begin:end, string - 1] += loudest * 10.0 ** (-below_db / 20.0) * noise
    return frames


@pytest.mark.parametrize("string", range(1, 7))
@pytest.mark.parametrize("touch_s", [0.01, 0.02])
def test_a_note_is_dated_at_the_release_and_its_pluck_found_at_the_touch(string: int, touch_s: float) -> None:
    notes, events = listen(touched(string, touch_s, 28.0), quiet_rig(-56.0))
    assert len(notes) == 1
    assert abs(notes[0].onset_s - 0.3) < 0.004
    plucks = events[events["kind"] == PLUCK]
    assert plucks["decided"][0] / RATE < 0.3, "or the touch was too soft to show anything"


@pytest.mark.parametrize("string", range(1, 7))
@pytest.mark.parametrize("harmonic", [3, 5])
@pytest.mark.parametrize("damp_s", [0.006, 0.015, 0.04])
def test_an_overtone_that_a_hand_leaves_when_it_stops_a_string_is_no_note(
    string: int, harmonic: int, damp_s: float
) -> None:
    midi = open_note(string) + 5
    left = Pluck(0.902, midi, 1.0, 0.9 * 0.15, harmonic=harmonic, damp_s=0.08)
    notes, _ = listen(clean({string: [Pluck(0.2, midi, 0.9, 0.9, damp_s=damp_s), left]}, 1.6))
    assert [note.fret for note in notes] == [5]


@pytest.mark.parametrize("string", range(1, 7))
@pytest.mark.parametrize("semitones", [-5, -2, 3, 7])
@pytest.mark.parametrize("lasts_s", [0.08, 0.2])
def test_a_slide_is_one_note(string: int, semitones: int, lasts_s: float) -> None:
    slide = ((0.4, 0.0), (0.4 + lasts_s, 100.0 * semitones))
    notes, _ = listen(clean({string: [Pluck(0.2, open_note(string) + 7, 1.6, 0.8, bend=slide)]}, 2.0))
    assert len(notes) == 1
