"""A kept take is decided again as on stage, whatever the character that its bass is to have."""

from pathlib import Path

import numpy as np
import pytest
import soundfile
from numpy.typing import NDArray

from tests.helpers.places import ROOT
from thumbline.dsp.files.takes import open_take
from thumbline.dsp.kept.layout import CONTROL_COLUMNS, CONTROLS, STRINGS, make_kept_folder
from thumbline.dsp.kept.replay import Mark, prepare
from thumbline.dsp.memory.events import HANDOVER
from thumbline.dsp.memory.records import BASS
from thumbline.dsp.rig.file import load_rig
from thumbline.dsp.rig.model import Rig

#: For so long the foot held the bass on its string.
HELD_S = (1.0, 4.0)
SECONDS = 6.0


@pytest.fixture(scope="module")
def gig(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A kept take in which a hold, and a change of character, came while it was played."""
    folder = tmp_path_factory.mktemp("gig")
    strings, rate = soundfile.read(ROOT / "data/demo.flac", always_2d=True)
    rig = load_rig(ROOT / "data/demo.toml")
    make_kept_folder(
        folder, [("", rig)], version="1", began="2026-05-01T20:00:00", rate=rate, bits=32, inputs=strings.shape[1]
    )
    soundfile.write(folder / STRINGS, strings[: round(SECONDS * rate)], rate, subtype="FLOAT")
    held, free = (round(at_s * rate) for at_s in HELD_S)
    rows = [
        Mark(0, 1, 0, 0, 1, 0, 0, 1.0, 0.0, 0.0),
        Mark(held, 0, 0, 0, 1, 1, 2, 1.0, 0.0, 0.0),
        Mark(free, 0, 0, 0, 1, 0, 2, 1.0, 0.0, 0.0),
    ]
    lines = [",".join(CONTROL_COLUMNS), *(",".join(map(str, row)) for row in rows)]
    (folder / CONTROLS).write_text("\n".join(lines) + "\n")
    return folder


def split(gig: Path, rig: Rig) -> tuple[NDArray[np.float64], NDArray[np.void]]:
    with open_take(gig, rig.string_count) as take:
        prepared = prepare(take, rig, lambda share: None)
        parts = [prepared.processor.process(block) for block in prepared.blocks]
        events = [*(events for _, events in parts), prepared.processor.finish()]
    return np.concatenate([sound for sound, _ in parts]), np.concatenate(events)


def test_another_character_of_the_bass_changes_its_sound_and_no_decision(gig: Path) -> None:
    rig = load_rig(gig / "rig.toml")
    other = rig.changed({"bass.character": "fingered" if rig.bass.character != "fingered" else "picked"})
    (sound, events), (other_sound, other_events) = split(gig, rig), split(gig, other)
    np.testing.assert_array_equal(events, other_events)
    handovers = events["frame"][events["kind"] == HANDOVER] / 48_000
    assert len(handovers) > 2
    assert not np.any((handovers > HELD_S[0] + 0.1) & (handovers < HELD_S[1])), "the hold is obeyed"
    bass, other_bass = sound[:, BASS], other_sound[:, BASS]
    assert np.sqrt(np.mean((bass - other_bass) ** 2)) > 0.05 * np.sqrt(np.mean(bass**2))


def test_any_other_change_of_the_rig_is_decided_anew(gig: Path) -> None:
    rig = load_rig(gig / "rig.toml")
    _, as_on_stage = split(gig, rig)
    _, anew = split(gig, rig.changed({"choice.rule": "lowest pitch"}))
    held = [
        np.any((e["kind"] == HANDOVER) & (e["frame"] > 52_800) & (e["frame"] < 192_000)) for e in (as_on_stage, anew)
    ]
    assert held == [False, True]
