"""What a search is given, and what is said of it; the search itself is tested in test_refine.py."""

from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pytest
import soundfile

from tests.helpers.places import OPEN_STRINGS
from thumbline.dsp.errors import InputError
from thumbline.dsp.refine import refine_files as refine_takes
from thumbline.dsp.refine.known_takes import KnownTake, Outcome
from thumbline.dsp.refine.refine_files import refine_files
from thumbline.dsp.refine.refinement import Interval, Refined
from thumbline.dsp.rig.model import Rig

RIG = Rig.model_validate(
    {"detect": {"on_db": [-50.0] * 6, "off_db": [-60.0] * 6}, "input": {"mains_hz": "off"}, "bleed": {"matrix": "off"}}
)


@pytest.fixture
def started(monkeypatch: pytest.MonkeyPatch) -> list[Rig]:
    """Have each search find nothing better, and note the rig it started from."""
    seen: list[Rig] = []

    def refine(rig: Rig, takes: Sequence[KnownTake], *_: object, **__: object) -> Refined:
        seen.append(rig)
        same, none = Outcome(np.zeros((1, 8), int)), Interval(0.0, 0.0, 0.0, 0.0)
        return Refined(rig, same, same, none, none, none, (), "nothing")

    monkeypatch.setattr(refine_takes, "refine", refine)
    return seen


@pytest.mark.usefixtures("started")
def test_strings_that_were_never_played_are_named(tmp_path: Path) -> None:
    soundfile.write(tmp_path / "quay.wav", np.zeros((24_000, 6)), 48_000)
    (tmp_path / "quay.csv").write_text("onset_s,offset_s,string,midi\n0.1,0.4,6,40\n0.2,0.3,2,59\n")
    found = refine_files(RIG, [tmp_path / "quay.wav"], None)
    assert found.warnings[0].startswith("never played in the takes: string 1, 3, 4, 5; what they need could not be")
    assert found.warnings[1].startswith("one take alone says little of others")


def test_a_take_that_is_searched_on_is_not_set_apart() -> None:
    with pytest.raises(InputError, match=r"quay\.wav is searched on and set apart; accepted: a take in one"):
        refine_files(RIG, [Path("quay.wav")], None, [Path("pier.wav"), Path("./quay.wav")])


def test_what_a_rig_leaves_open_is_measured_from_the_open_strings(started: list[Rig]) -> None:
    found = refine_files(Rig.model_validate({"detect": {"level_db": [-20.0] * 6}}), [], OPEN_STRINGS)
    assert found.warnings == ()
    for rig in (*started, found.rig):
        assert rig.detect.level_db == (-20.0,) * 6
        assert not isinstance(rig.detect.on_db, str)
        assert not isinstance(rig.bleed.matrix, str)
    assert not isinstance(found.rig.input.mains_hz, str)


def test_without_takes_and_open_strings_there_is_nothing_to_search_on() -> None:
    with pytest.raises(ValueError, match="takes or open_strings must be given"):
        refine_files(Rig(), [], None)
