"""Exercises put together from open strings have the notes that their truth says."""

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import soundfile

from tests.helpers.places import OPEN_STRINGS
from thumbline.dsp.calibration.calibrate import calibrate
from thumbline.dsp.errors import InputError
from thumbline.dsp.refine.exercises import make_exercises, plain_input
from thumbline.dsp.refine.known_takes import TOLERANCE_S, KnownTake, outcome
from thumbline.dsp.rig.model import Rig
from thumbline.dsp.scoring.true_bass import TrueBass
from thumbline.dsp.synthetic.string_model import Pluck, Signal


@pytest.fixture(scope="module")
def rig() -> Rig:
    return calibrate(OPEN_STRINGS, Rig()).rig


@pytest.fixture(scope="module")
def exercises(rig: Rig) -> list[KnownTake]:
    return make_exercises(OPEN_STRINGS, rig)


def test_they_have_a_bass_line_and_notes_above_it_on_every_string(exercises: list[KnownTake]) -> None:
    assert len(exercises) == 4
    for each in exercises:
        assert {note.string for note in each.truth.notes} == {1, 2, 3, 4, 5, 6}
        assert len(each.truth.stretches) > 20


def test_their_notes_are_heard_where_the_truth_has_them(exercises: list[KnownTake], rig: Rig) -> None:
    fared = outcome(plain_input(rig), exercises[0])
    assert fared.path_right > 0.99
    assert fared.f > 0.97


def test_bleed_comes_along(exercises: list[KnownTake], rig: Rig) -> None:
    data = plain_input(rig).model_dump()
    data["bleed"]["matrix"] = "off"
    data["detect"]["on_db"] = [db - 15.0 for db in data["detect"]["on_db"]]
    assert outcome(Rig.model_validate(data), exercises[0]).accuracy < 0.9


def test_hum_is_taken_out(exercises: list[KnownTake]) -> None:
    lead = exercises[0].frames[: round(0.3 * exercises[0].rate)].astype(float)
    time = np.arange(len(lead)) / exercises[0].rate
    hum = np.abs(np.exp(-2j * np.pi * 50.0 * time) @ lead).max() / len(lead) * 2
    assert 20 * np.log10(hum / np.sqrt(2)) < -80.0  # the take has -66 dBFS of it in all harmonics


def test_two_calls_make_the_same(exercises: list[KnownTake], rig: Rig) -> None:
    assert (make_exercises(OPEN_STRINGS, rig)[3].frames == exercises[3].frames).all()


def test_a_take_without_open_strings_is_refused(tmp_path: Path, rig: Rig) -> None:
    soundfile.write(tmp_path / "quiet.wav", np.zeros((48_000, 6)), 48_000)
    with pytest.raises(InputError, match="fewer than two strings are plucked alone"):
        make_exercises(tmp_path / "quiet.wav", rig)


def test_seven_strings_and_a_take_that_begins_at_once_make_exercises_too(
    tmp_path: Path, play: Callable[..., Signal]
) -> None:
    open_midi = (64.0, 59.0, 55.0, 50.0, 45.0, 40.0, 35.0)
    strings = ["E4", "B3", "G3", "D3", "A2", "E2", "B1"]
    plucks = {string: Pluck(0.05 + 0.6 * (7 - string), open_midi[string - 1], 0.6 * (8 - string)) for string in (7, 6)}
    soundfile.write(tmp_path / "two.wav", 0.3 * play(plucks, 1.3, 48_000, open_midi), 48_000, "FLOAT")
    detect = {"on_db": [-50.0] * 7, "off_db": [-65.0] * 7, "level_db": [-25.0] * 7}
    rig = Rig.model_validate({"instrument": {"strings": strings}, "detect": detect, "input": {"mains_hz": "off"}})
    made = make_exercises(tmp_path / "two.wav", rig)
    for each in made:
        assert each.frames.shape == (14 * each.rate, 7)
        assert {note.string for note in each.truth.notes} == {6, 7}
        assert not each.frames[: round(0.2 * each.rate)].any(), "no noise where too little of it was heard"


def test_a_note_that_is_found_15_ms_late_is_missed_in_an_exercise_alone(exercises: list[KnownTake], rig: Rig) -> None:
    early = [
        replace(note, onset_s=note.onset_s - 0.015, offset_s=note.offset_s - 0.015) for note in exercises[0].truth.notes
    ]
    exercise = replace(exercises[0], truth=TrueBass(early))
    assert outcome(plain_input(rig), exercise).f < 0.2
    assert outcome(plain_input(rig), replace(exercise, tolerance_s=TOLERANCE_S)).f > 0.8
