"""The guitar of a practice track has no ticks of the bass in it, and the bass nothing that only passes."""

from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile
from scipy.signal import butter, sosfiltfilt

from thumbline.dsp.practice.gates import BEFORE_PLUCK_S, add_gated, bass_spans, gate, silenced, silences
from thumbline.dsp.practice.parts import parts_at
from thumbline.dsp.practice.source import read_source
from thumbline.dsp.processor.notes import Note
from thumbline.dsp.processor.settled_line import SettledLine
from thumbline.dsp.processor.transcript import Handover
from thumbline.dsp.rig.model import Rig
from thumbline.dsp.synthetic.string_model import Pluck

RATE = 48_000
FADE_S = 0.005


def _row(onset_s: float, offset_s: float, string: int) -> Note:
    return Note(onset_s, offset_s, string, 0, 40.0, "E2", 82.4, 0.0, 90)


def test_a_string_has_left_the_guitar_before_its_pluck_and_comes_back_when_the_bass_lets_go() -> None:
    path = [Handover(1.0, 1.004, 6, True), Handover(2.0, 2.01, 5, True), Handover(3.0, 3.02, 0, False)]
    line = SettledLine((_row(1.0, 2.0, 6), _row(2.0, 3.0, 5)), ())
    spans = bass_spans(path, line, 4.0)
    assert spans == [(6, 1.0, 2.01), (5, 2.0, 3.02)]
    corners = gate(6, spans, FADE_S, RATE)
    frames = RATE * np.array([1.0 - BEFORE_PLUCK_S - FADE_S, 1.0 - BEFORE_PLUCK_S, 1.5, 2.01, 2.01 + FADE_S, 3.0])
    assert np.interp(frames, *corners.T) == pytest.approx([1.0, 0.0, 0.0, 0.0, 1.0, 1.0])
    assert np.interp(RATE * 1.5, *gate(1, spans, FADE_S, RATE).T) == 1.0


def test_a_string_that_only_passes_stays_in_the_guitar_and_is_silent_in_the_bass() -> None:
    path = [Handover(1.0, 1.004, 1, True), Handover(1.02, 1.024, 6, True)]
    line = SettledLine((_row(1.02, 2.0, 6),), (_row(1.0, 1.02, 1),))
    assert bass_spans(path, line, 2.0) == [(6, 1.02, 2.0)]
    sound = silenced(np.ones(2 * RATE, np.float32), silences(line), RATE)
    assert np.all(sound[: round(1.0 * RATE)] == 1.0)
    assert np.all(sound[round(1.005 * RATE) : round(1.015 * RATE)] == 0.0)
    assert np.all(sound[round(1.02 * RATE) :] == 1.0)  # the attack is whole
    assert np.abs(np.diff(sound)).max() < 0.01  # no click


def test_spans_without_room_for_a_fade_between_them_are_one() -> None:
    spans = [(6, 1.0, 2.0), (6, 2.01, 3.0)]
    corners = gate(6, spans, FADE_S, RATE)
    assert np.interp(2.005 * RATE, *corners.T) == 0.0
    assert np.all(np.diff(corners[:, 0]) >= 0.0)


def test_add_gated_pans_and_stretches() -> None:
    guitar = np.zeros((200, 2), np.float32)
    corners = np.array([[0.0, 1.0], [50.0, 1.0], [60.0, 0.0]])
    add_gated(guitar, np.ones(200, np.float32), corners, (0.5, 1.0), 0, 2.0)
    assert guitar[99].tolist() == [0.5, 1.0]
    assert guitar[110].tolist() == pytest.approx([0.25, 0.5])
    assert np.all(guitar[120:] == 0.0)


@pytest.mark.parametrize("speed", [100.0, 60.0])
def test_a_bass_pluck_leaks_into_the_guitar_by_less_than_40_db(
    play: Callable[..., Any], tmp_path: Path, speed: float
) -> None:
    """Above 1 kHz, where a tick is heard; nothing else sounds."""
    plucks = {6: Pluck(0.6, 40.0, 1.5, 0.9)}
    take = play(plucks, 2.0) + play({5: Pluck(1.7, 47.0, 1.95, 0.9)}, 2.0)
    take += np.random.default_rng(1).normal(0.0, 10 ** (-85 / 20), take.shape)
    soundfile.write(tmp_path / "ness.wav", take, RATE, "FLOAT")
    source = read_source(tmp_path / "ness.wav", Rig())
    assert [note.string for note in source.bassline] == [6, 5]
    bass, guitar = parts_at(source, speed, 0)
    high = butter(4, 1000.0, "high", fs=RATE, output="sos")
    leak, pluck = (
        np.abs(sosfiltfilt(high, sound.astype(np.float64))) for sound in (guitar[:, 0], take[:, 4] + take[:, 5])
    )
    for onset_s in (0.6, 1.7):
        loud = pluck[round(onset_s * RATE) :][: round(0.05 * RATE)].max()
        near = slice(round((onset_s * 100 / speed - 0.02) * RATE), round((onset_s * 100 / speed + 0.05) * RATE))
        assert 20 * np.log10(leak[near].max() / loud) < -40.0
    assert np.abs(bass).max() > 0.01
