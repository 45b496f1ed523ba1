"""What happens on bad evenings: loose cables, clipping, hum, feedback, channels that died or were swapped.

Chosen is, throughout: what is wrong on one channel stays there, the other strings go on, and nothing is a note that no
string played.
"""

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest
import soundfile
from numpy.typing import NDArray

from tests.material.short_take import PLUCKS, RATE
from tests.references.figures import agrees
from thumbline.dsp.calibration.survey import complete, survey
from thumbline.dsp.memory.events import END, FAULT, HANDOVER, NOTE
from thumbline.dsp.memory.records import LEFT
from thumbline.dsp.processor.processor import Processor
from thumbline.dsp.rig.model import Rig

Frames = NDArray[np.float64]
Run = Callable[..., tuple[int, str, str]]

CEILING = 10.0 ** (-1.0 / 20.0)


@dataclass(frozen=True)
class Heard:
    """What the processor made of frames; times in seconds, strings from 1, 0 for none."""

    out: Frames
    notes: list[tuple[int, float]]  #: string and onset, in order of onset
    ends: list[tuple[int, float]]
    handovers: list[tuple[int, float]]
    faulty: set[int]  #: channels
    mains_hz: float | str


def hear(frames: Frames, measured: bool = False) -> Heard:
    """Play ``frames``; ``measured`` lets the rig be measured from them first, as `render` does."""
    found = survey(lambda: iter([frames]), Rig(), RATE) if measured else None
    rig = complete(Rig(), found) if found else Rig()
    processor = Processor(rig, RATE, found.hum if found else None)
    out, events = processor.process(frames)
    assert np.isfinite(out).all()
    assert np.abs(out).max() <= CEILING

    def of(kind: int) -> list[tuple[int, float]]:
        return [(int(each["string"]), float(each["frame"]) / RATE) for each in events[events["kind"] == kind]]

    ends = events[(events["kind"] == END) & (events["level"] == 1.0)]
    return Heard(
        out,
        sorted(of(NOTE), key=lambda note: note[1]),
        [(int(each["string"]), float(each["frame"]) / RATE) for each in ends],
        of(HANDOVER),
        {int(value) for value in events["value"][events["kind"] == FAULT]},
        rig.input.mains_hz,
    )


def assert_played(notes: list[tuple[int, float]], without: int = 0) -> None:
    """The notes are those that were plucked, but for string ``without``, each within 8 ms."""
    expected = [(string, start_s) for string, start_s, _ in PLUCKS if string != without]
    assert [string for string, _ in notes] == [string for string, _ in expected]
    for (string, found_s), (_, true_s) in zip(notes, expected, strict=True):
        assert found_s == pytest.approx(true_s, abs=0.008), string


@pytest.mark.parametrize("measured", [False, True])
def test_the_short_take_is_heard_as_it_was_played(frames: Frames, measured: bool) -> None:
    assert_played(hear(frames, measured).notes)


@pytest.mark.parametrize("value", [np.nan, np.inf, -np.inf, 1e7])
def test_a_channel_of_what_is_no_number_is_named_and_the_others_go_on_bit_for_bit(frames: Frames, value: float) -> None:
    bad, without = frames.copy(), frames.copy()
    bad[:, 2], without[:, 2] = value, 0.0
    heard, reference = hear(bad), hear(without)
    assert heard.faulty == {3}
    assert heard.out.tobytes() == reference.out.tobytes()
    assert heard.notes == reference.notes
    assert_played(heard.notes, without=3)


def test_numbers_too_small_to_count_are_silence(frames: Frames) -> None:
    small, without = frames.copy(), frames.copy()
    small[:, 2], without[:, 2] = 5e-324, 0.0
    assert hear(small).notes == hear(without).notes
    assert np.abs(hear(np.full((RATE, 6), 5e-324)).out).max() < 1e-300


@pytest.mark.parametrize("measured", [False, True])
@pytest.mark.parametrize("offset", [-0.4, 0.05, 0.4])
def test_a_constant_offset_changes_no_note(frames: Frames, offset: float, measured: bool) -> None:
    assert_played(hear(frames + offset, measured).notes)


@pytest.mark.parametrize("measured", [False, True])
@pytest.mark.parametrize("since_s", [0.0, 0.5])
@pytest.mark.parametrize("value", [1.0, -1.0])
def test_a_channel_stuck_at_full_scale_has_no_note_and_the_bass_for_less_than_20_ms(
    frames: Frames, since_s: float, value: float, measured: bool
) -> None:
    stuck = frames.copy()
    stuck[round(since_s * RATE) :, 2] = value
    heard = hear(stuck, measured)
    assert_played(heard.notes, without=3)
    times = [time_s for _, time_s in heard.handovers] + [len(frames) / RATE]
    held = [end - begin for (string, begin), end in zip(heard.handovers, times[1:], strict=True) if string == 3]
    assert sum(held) < 0.02


@pytest.mark.parametrize("measured", [False, True])
@pytest.mark.parametrize("gain", [5.0, 30.0, 100.0])
def test_when_all_six_clip_every_note_is_found(frames: Frames, gain: float, measured: bool) -> None:
    clipped = np.clip(gain * frames, -1.0, 1.0)
    assert (np.abs(clipped) == 1.0).any(axis=0).all()
    assert_played(hear(clipped, measured).notes)


def test_a_cable_pulled_in_the_midst_of_a_note_ends_it_and_the_bass_passes_on(frames: Frames) -> None:
    pulled = frames.copy()
    pulled[round(2.0 * RATE) :, 5] = 0.0
    heard = hear(pulled)
    assert_played(heard.notes)
    (end_s,) = [time_s for string, time_s in heard.ends if string == 6 and time_s > 1.9]
    assert end_s == pytest.approx(2.0, abs=0.02)
    after = [(string, time_s) for string, time_s in heard.handovers if time_s > 1.95]
    assert after[0][0] == 3  # the lowest that still sounds
    assert after[0][1] == pytest.approx(2.0, abs=0.02)
    agrees("promises.cable_of_one_string_ms", 1e3 * (after[0][1] - 2.0), 1)


def test_when_the_whole_cable_is_pulled_every_note_ends_and_no_string_is_the_bass(frames: Frames) -> None:
    pulled = frames.copy()
    pulled[round(1.95 * RATE) :] = 0.0
    heard = hear(pulled)
    assert {string for string, time_s in heard.ends if 1.94 < time_s < 1.98} == {1, 3, 5, 6}
    assert heard.handovers[-1][0] == 0
    assert heard.handovers[-1][1] == pytest.approx(1.95, abs=0.02)
    agrees("promises.cable_of_all_strings_ms", 1e3 * (heard.handovers[-1][1] - 1.95), 1)
    assert np.abs(heard.out[round(2.2 * RATE) :]).max() < 1e-9


def feedback(frames: int, hz: float) -> Frames:
    """A sine that rises by 80 dB on all strings alike, up to full scale, shape (n, 1)."""
    time = np.arange(frames) / RATE
    return np.minimum(10.0 ** ((80.0 * time / time[-1] - 80.0) / 20.0), 1.0)[:, None] * np.sin(
        2 * np.pi * hz * time[:, None]
    )


@pytest.mark.parametrize("hz", [98.0, 196.0, 440.0])
def test_feedback_on_all_strings_is_one_note_at_most_and_makes_no_bass_that_flutters(hz: float) -> None:
    """A low tone that swells on every channel may be a note of the one string whose range it is in; no more."""
    noise = 3e-5 * np.random.default_rng(5).standard_normal((2 * RATE, 6))
    heard = hear(noise + feedback(2 * RATE, hz))
    assert len(heard.notes) <= 1
    assert len(heard.handovers) <= 1
    assert np.abs(heard.out[:, LEFT]).max() > 0.5 * CEILING


@pytest.mark.parametrize("mains_hz", [50.0, 60.0])
def test_mains_at_45_db_below_full_scale_are_found_and_change_no_note(frames: Frames, mains_hz: float) -> None:
    time = np.arange(len(frames)) / RATE
    parts = ((1, 1.0), (2, 0.3), (3, 0.5), (5, 0.2))
    hum = sum(share * np.sin(2 * np.pi * k * mains_hz * time + k) for k, share in parts)
    hum *= 10.0 ** (-45.0 / 20.0) / np.sqrt(np.mean(np.square(hum)))
    heard = hear(frames + np.asarray(hum)[:, None], measured=True)
    assert heard.mains_hz == pytest.approx(mains_hz, abs=0.1)
    agrees(f"promises.mains_{mains_hz:.0f}_off_hz", abs(float(heard.mains_hz) - mains_hz), 3)
    assert_played(heard.notes)


@pytest.mark.parametrize("measured", [False, True])
@pytest.mark.parametrize("dead", [1, 3, 6])
def test_a_dead_string_leaves_the_others_as_they_are(frames: Frames, dead: int, measured: bool) -> None:
    without = frames.copy()
    without[:, dead - 1] = 0.0
    assert_played(hear(without, measured).notes, without=dead)


def test_render_names_the_strings_that_it_has_heard_no_note_of(run: Run, frames: Frames, tmp_path: Path) -> None:
    without = frames.copy()
    without[:, [1, 3]] = 0.0
    soundfile.write(tmp_path / "pier.wav", without, RATE, "PCM_24")
    code, out, err = run("render", tmp_path / "pier.wav", "--out", tmp_path / "out")
    assert (code, err) == (0, "")
    assert ", none on string 2, 4, " in out


def test_two_swapped_strings_leave_the_others_as_they_are(frames: Frames) -> None:
    """Which ones are swapped is for `calibrate` to say (tests/dsp/calibration/test_calibrate.py)."""
    heard = hear(frames[:, [0, 1, 2, 3, 5, 4]])
    others = [note for note in heard.notes if note[0] < 5]
    expected = [(string, start_s) for string, start_s, _ in PLUCKS if string < 5]
    assert [string for string, _ in others] == [string for string, _ in expected]
