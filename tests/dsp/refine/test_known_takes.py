"""Takes with their truth beside them, and how a rig fares on them."""

from pathlib import Path

import numpy as np
import pytest
import soundfile

from thumbline.dsp.errors import InputError
from thumbline.dsp.refine.known_takes import (
    KnownTake,
    Outcome,
    load_known_takes,
    measured_anew,
    outcome,
    played_strings,
    together,
)
from thumbline.dsp.rig.model import Rig
from thumbline.dsp.scoring.truth_beside import truth_beside
from thumbline.dsp.synthetic.demo_score import STRINGS
from thumbline.dsp.synthetic.model_take import hiss, render_string
from thumbline.dsp.synthetic.string_model import Pluck

RATE = 24_000
TABLE = "onset_s,offset_s,string,midi\n0.3,1.0,5,45\n1.2,1.9,6,40\n"


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A take of two notes, and its truth."""
    folder = tmp_path_factory.mktemp("takes")
    rng = np.random.default_rng(3)
    frames = round(2.4 * RATE)
    take = hiss(frames, 6, -85.0, rng)
    for string, start in ((5, 0.3), (6, 1.2)):
        pluck = Pluck(start, STRINGS[string].open_midi, start + 0.7, 0.8)
        take[:, string - 1] += render_string(STRINGS[string], [pluck], frames, RATE, rng)[0]
    soundfile.write(folder / "pier.wav", take, RATE, "PCM_24")
    (folder / "pier.csv").write_text(TABLE)
    return folder


@pytest.fixture(scope="module")
def take(folder: Path) -> KnownTake:
    return load_known_takes([folder / "pier.wav"], Rig())[0]


def test_the_truth_beside_a_take_is_found(take: KnownTake) -> None:
    assert (take.name, take.rate, take.frames.shape) == ("pier", RATE, (57_600, 6))
    assert [note.string for note in take.truth.notes] == [5, 6]
    assert played_strings([take]) == [5, 6]


def test_a_take_without_truth_or_with_two_is_refused(tmp_path: Path) -> None:
    take = tmp_path / "pier.wav"
    with pytest.raises(InputError, match=r"its notes are not known; accepted: a file pier\.csv"):
        truth_beside(take)
    for suffix in (".csv", ".mid"):
        take.with_suffix(suffix).touch()
    with pytest.raises(InputError, match=r"both pier\.csv and pier\.mid lie beside it"):
        truth_beside(take)


def test_a_folder_of_mono_files_has_its_truth_beside_it(tmp_path: Path) -> None:
    (tmp_path / "v1.2").mkdir()
    (tmp_path / "v1.2.csv").touch()
    assert truth_beside(tmp_path / "v1.2") == tmp_path / "v1.2.csv"


def test_a_good_rig_is_right_and_one_that_hears_nothing_is_not(take: KnownTake) -> None:
    good = measured_anew(Rig(), [take])
    fared = outcome(good, take)
    assert (fared.path_right, fared.f, fared.accuracy) == (1.0, 1.0, 1.0)
    deaf = Rig.model_validate(good.model_dump() | {"detect": good.detect.model_dump() | {"on_db": (0.0,) * 6}})
    fared = outcome(deaf, take)
    assert fared.f == 0.0
    assert 0.2 < fared.path_right < 0.6  # silence is right


def test_an_outcome_counts_in_pieces_of_2_s(take: KnownTake) -> None:
    counts = outcome(measured_anew(Rig(), [take]), take).counts
    assert counts[:, 2].tolist() == [2, 0]
    assert counts[:, 0].sum() == take.truth.asked.sum()
    assert together([Outcome(counts), Outcome(counts)]).counts.shape == (4, 8)


def test_the_bleed_of_strings_that_never_play_stays_what_it_was(take: KnownTake) -> None:
    given = np.eye(6) + 0.03 * (1 - np.eye(6))
    rig = Rig.model_validate({"bleed": {"matrix": given.tolist()}})
    matrix = np.array(measured_anew(rig, [take]).bleed.matrix)
    assert (matrix[:4, :4] == given[:4, :4]).all()
    assert (np.abs(matrix[:4, 4:]) < 0.01).all()


def test_takes_of_different_rates_are_refused(take: KnownTake) -> None:
    other = KnownTake("quay", take.frames, 2 * RATE, take.truth)
    with pytest.raises(InputError, match="sample rates of 24000 and 48000 Hz"):
        measured_anew(Rig(), [take, other])


def test_more_than_can_be_held_is_refused(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("thumbline.dsp.refine.known_takes.MOST_S", 3.0)
    with pytest.raises(InputError, match="accepted: up to 0 min"):
        load_known_takes([folder / "pier.wav"] * 2, Rig())
