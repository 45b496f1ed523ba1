"""Songs by number, and what is set now saved into the set file with its comments."""

import math
from pathlib import Path

import numpy as np
import pytest

from thumbline.cli.console.make_memory import create
from thumbline.cli.console.routing import make_routing
from thumbline.cli.keeper.feet import controls
from thumbline.cli.keeper.orders import orders_of
from thumbline.cli.songs.songs import SECOND_DIGIT_S, Jump, Songs
from thumbline.dsp.errors import InputError
from thumbline.dsp.live.block import serve
from thumbline.dsp.memory.record_type import Record
from thumbline.dsp.processor.parameters import compile_settings
from thumbline.dsp.rig.model import Rig
from thumbline.dsp.rig.set_edit import save_in_set
from thumbline.dsp.rig.set_file import load_set

SET = """# Our set.
base = "rig.toml"   # the black one

[[songs]]
name = "Slack Water"
bass = { interval = -24, level_db = -3.0 }  # loud enough

# the slow one
[[songs]]
name = "Lantern Walk"

[songs.choice]
settle_ms = 5.0   # strums

[[songs]]
name = "Low Tide"
rig = "tide.toml"
"""
TIDE = "# by the sea\n[bass]\nlevel_db = 0.0   # as played\n"


@pytest.fixture
def set_file(tmp_path: Path) -> Path:
    (tmp_path / "rig.toml").write_text("[instrument]\na4_hz = 441.0\n")
    (tmp_path / "tide.toml").write_text(TIDE)
    path = tmp_path / "set.toml"
    path.write_text(SET)
    return path


def test_one_song_is_changed_and_all_else_stays_as_it_was_written(set_file: Path) -> None:
    rig = save_in_set(set_file, 1, {"bass.level_db": -7.5, "bass.tone_hz": 900.0})
    assert (rig.bass.level_db, rig.bass.tone_hz, rig.bass.interval, rig.instrument.a4_hz) == (-7.5, 900.0, -24, 441.0)
    text = set_file.read_text()
    assert "# loud enough" in text
    assert [line for line in SET.splitlines() if line not in text.splitlines()] == [SET.splitlines()[5]]
    save_in_set(set_file, 2, {"bass.level_db": 2.0})
    save_in_set(set_file, 3, {"bass.level_db": -1.0})
    assert [song.rig.bass.level_db for song in load_set(set_file)] == [-7.5, 2.0, -1.0]
    assert load_set(set_file)[1].rig.choice.settle_ms == 5.0
    for comment in ("# Our set.", "# the black one", "# the slow one", "# strums"):
        assert comment in set_file.read_text()
    assert (set_file.parent / "tide.toml").read_text() == TIDE.replace("0.0", "-1.0")


def test_what_is_not_accepted_changes_nothing(set_file: Path) -> None:
    for number, changes in ((4, {"bass.level_db": 0.0}), (1, {"bass.level_db": 99.0})):
        with pytest.raises(InputError):
            save_in_set(set_file, number, changes)
    assert set_file.read_text() == SET


@pytest.mark.parametrize(
    ("count", "typed", "reached"),
    [
        (5, [(3, 0.0)], [3]),
        (5, [(7, 0.0), (0, 0.1)], []),
        (12, [(1, 0.0), (2, 0.3)], [12]),
        (12, [(1, 0.0), (9, 0.3)], []),
        (12, [(1, 0.0)], [1]),
        (12, [(2, 0.0)], [2]),
        (32, [(1, 0.0), (2, 1.5)], [1, 2]),
    ],
)
def test_a_number_goes_to_that_song(count: int, typed: list[tuple[int, float]], reached: list[int]) -> None:
    jump, found, keys = Jump(count), [], list(typed)
    for now_s in np.arange(0.0, 3.0, 0.05):
        while keys and keys[0][1] <= now_s:
            found.append(jump.digit(keys.pop(0)[0], now_s))
        found.append(jump.due(now_s))
    assert [number for number in found if number is not None] == reached
    assert SECOND_DIGIT_S < 1.0


def stage(set_file: Path, *, tape: bool = False) -> tuple[Record, Songs, list[tuple[str, Rig]]]:
    settings = [(song.name, song.rig) for song in load_set(set_file)]
    routing = make_routing([1], [2])
    live = create(set_file.parent / "memory", settings, rate=48_000, block_frames=64, routing=routing, tape=tape)
    live.engine.rate = 48_000.0
    return live, Songs(live, settings, 48_000, set_file), settings


def test_a_key_saves_the_song_that_is_played_and_its_sound_stays(set_file: Path) -> None:
    live, songs, settings = stage(set_file)
    live.request.bass_level_db, live.request.tone_hz, live.request.interval = -2.0, 1200.0, -7.0
    live.request.character = 3
    silence, out = np.zeros((4800, 6), np.float32), np.zeros((4800, 2), np.float32)
    serve(live, silence, out)
    gain, tone, ratio = float(live.state.now.bass_gain), np.array(live.state.now.tone), float(live.state.ratio)
    assert songs.press("w", 0.0)
    (notice,) = songs.look(0.0)
    assert not notice.fault
    assert "'Slack Water': bass -5 dB, -7 st, 1200 Hz, fingered" in notice.text
    assert load_set(set_file)[0].rig.bass == settings[0][1].bass
    assert (settings[0][1].bass.level_db, settings[0][1].bass.interval) == (-5.0, -7)
    assert (float(live.request.bass_level_db), float(live.request.tone_hz)) == (0.0, 0.0)
    assert math.isnan(float(live.request.interval))
    serve(live, silence, out)
    assert float(live.state.now.bass_gain) == pytest.approx(gain, rel=1e-9)
    np.testing.assert_allclose(np.array(live.state.now.tone), tone, rtol=1e-9)
    assert float(live.state.ratio) == pytest.approx(ratio)
    assert live.params[0].tobytes() == compile_settings([settings[0]], 48_000)[0].tobytes()
    orders = orders_of([rig for _, rig in load_set(set_file)])
    assert controls(live, orders).interval == -7.0, "the bass notes follow"
    assert not songs.look(1.0), "once"


def test_what_cannot_be_saved_is_told_and_play_goes_on(set_file: Path) -> None:
    live, songs, _ = stage(set_file)
    set_file.write_text("no set any more")
    live.request.save += 1  # as a foot does
    (notice,) = songs.look(0.0)
    assert notice.fault
    assert notice.text.startswith("Not saved: ")
    nowhere = Songs(live, [("", Rig())], 48_000)
    assert "no --set and no --rig" in nowhere.save().text


def test_while_it_is_recorded_the_song_goes_by_what_it_began_with(set_file: Path) -> None:
    live, songs, settings = stage(set_file, tape=True)
    before = live.params[0].tobytes()
    live.request.bass_level_db = -2.0
    assert not songs.save().fault
    assert live.params[0].tobytes() == before
    assert float(live.request.bass_level_db) == -2.0
    assert settings[0][1].bass.level_db == -3.0
    assert load_set(set_file)[0].rig.bass.level_db == -5.0
