"""One block of live sound: the processor's sound on the outputs asked for, and nothing louder than allowed."""

from pathlib import Path

import numpy as np
import pytest
import soundfile

from tests.helpers.places import DEMO
from thumbline.cli.console.make_memory import create
from thumbline.cli.console.routing import make_routing
from thumbline.dsp.live.block import FALL_S, RISE_S, count_block, serve
from thumbline.dsp.memory.record_type import Record
from thumbline.dsp.memory.records import BASS, LEFT, RIGHT
from thumbline.dsp.processor.processor import Processor
from thumbline.dsp.rig.model import Rig

RATE = 48_000
STEREO = Rig.model_validate({"guitar": {"stereo": True, "pan": [-1.0, -0.5, 0.0, 0.2, 0.5, 1.0]}})


@pytest.fixture(scope="module")
def demo() -> np.ndarray:
    return np.ascontiguousarray(soundfile.read(DEMO, start=RATE // 2, frames=RATE, dtype="float32")[0])


def make(tmp_path: Path, routing: np.ndarray, *rigs: Rig, on: bool = True) -> Record:
    settings = [(f"song {n}", rig) for n, rig in enumerate(rigs or (Rig(),))]
    live = create(tmp_path / "memory", settings, rate=RATE, block_frames=64, routing=routing)
    live.engine.rate = RATE
    live.request.sound_on = int(on)
    live.engine.sound = float(on)
    return live


def play(live: Record, frames: np.ndarray, block: int = 64) -> np.ndarray:
    out = np.full((len(frames), int(live.setup.outputs)), 9.0, np.float32)
    for first in range(0, len(frames), block):
        serve(live, frames[first : first + block], out[first : first + block])
    return out


@pytest.mark.parametrize("block", [32, 64, 100, 2048])
def test_outputs_are_those_of_the_processor_sample_for_sample(tmp_path: Path, demo: np.ndarray, block: int) -> None:
    live = make(tmp_path, make_routing([4], [1, 2], stereo=True), STEREO)
    out = play(live, demo, block)
    rendered = Processor(STEREO, RATE).process(demo)[0].astype(np.float32)
    assert np.abs(rendered).max(axis=0).min() > 0.05
    np.testing.assert_array_equal(out[:, [3, 0, 1]], rendered[:, [BASS, LEFT, RIGHT]])
    assert not out[:, 2].any()


def test_each_output_has_its_own_level(tmp_path: Path, demo: np.ndarray) -> None:
    live = make(tmp_path, make_routing([1, 3], [2], bass_levels_db=[-6.0, 0.0], guitar_levels_db=[-20.0]))
    out = play(live, demo)
    rendered = Processor(Rig(), RATE).process(demo)[0]
    np.testing.assert_allclose(out[:, 0], 10 ** (-6 / 20) * rendered[:, BASS], atol=1e-6)
    np.testing.assert_allclose(out[:, 2], rendered[:, BASS], atol=1e-6)
    np.testing.assert_allclose(out[:, 1], 0.1 * rendered[:, LEFT], atol=1e-6)


def test_no_output_passes_the_ceiling_where_bass_and_guitar_meet(tmp_path: Path, demo: np.ndarray) -> None:
    rig = Rig.model_validate({"output": {"ceiling_db": -20.0}, "guitar": {"strings": "all"}})
    live = make(tmp_path, make_routing([1], [1]), rig)
    out = play(live, 4.0 * demo)
    parts = Processor(rig, RATE).process(4.0 * demo)[0]
    assert np.abs(parts[:, BASS] + parts[:, LEFT]).max() > 0.15
    assert np.abs(out).max() <= np.float32(0.1)
    assert live.engine.limiter_db < -6.0


def test_the_sound_begins_silent_rises_slowly_and_falls_fast(tmp_path: Path, demo: np.ndarray) -> None:
    live = make(tmp_path, make_routing([1], [2]), on=False)
    assert not play(live, demo[:4800]).any()
    live.request.sound_on = 1
    play(live, demo[4800 : 4800 + round(0.5 * RISE_S * RATE)])
    assert live.engine.sound == pytest.approx(0.5, abs=0.01)
    play(live, demo[: round(0.6 * RISE_S * RATE)])
    assert live.engine.sound == 1.0
    live.request.stop = 1
    out = play(live, demo[: round(1.1 * FALL_S * RATE)])
    assert live.engine.sound == 0.0
    assert not out[-20:].any()


def test_a_switch_of_setting_takes_effect_with_the_next_block_and_nonsense_changes_nothing(
    tmp_path: Path, demo: np.ndarray
) -> None:
    live = make(tmp_path, make_routing([1], [2]), Rig(), Rig.model_validate({"bass": {"level_db": -20.0}}))
    loud = play(live, demo[: RATE // 2])
    live.request.setting = 1
    soft = play(live, demo[: RATE // 2])
    assert live.engine.setting == 1
    assert np.abs(soft[4800:, 0]).max() < 0.2 * np.abs(loud[4800:, 0]).max()
    for nonsense in (2, -1, 99):
        live.request.setting = nonsense
        play(live, demo[:64])
        assert live.engine.setting == 1


@pytest.mark.parametrize(
    ("field", "value"),
    [
        ("bass_level_db", np.nan),
        ("tone_hz", np.nan),
        ("tone_hz", -5.0),
        ("interval", np.nan),
        ("split", 7),
        ("character", 9),
    ],
)
def test_a_request_that_makes_no_sense_changes_nothing(
    tmp_path: Path, demo: np.ndarray, field: str, value: float
) -> None:
    live = make(tmp_path, make_routing([1], [2]))
    setattr(live.request, field, value)
    rendered = Processor(Rig(), RATE).process(demo[:9600])[0].astype(np.float32)
    np.testing.assert_array_equal(play(live, demo[:9600]), rendered[:, [BASS, LEFT]])


@pytest.mark.parametrize(("asked", "used"), [(1000.0, 12.0), (6.0, 6.0)])
def test_no_request_makes_the_bass_louder_than_12_db(tmp_path: Path, asked: float, used: float) -> None:
    live = make(tmp_path, make_routing([1], [2]))
    live.request.bass_level_db = asked
    play(live, np.zeros((64, 6), np.float32))
    assert live.state.controls.level == pytest.approx(10 ** (used / 20))


def test_60_db_down_the_bass_is_silent(tmp_path: Path, demo: np.ndarray) -> None:
    live = make(tmp_path, make_routing([1], [2]))
    live.request.bass_level_db = -60.0
    out = play(live, demo)
    assert np.abs(out[9600:, 0]).max() < 1e-6
    assert np.abs(out[9600:, 1]).max() > 0.05


def test_input_that_is_no_sound_is_not_shown_as_a_peak_and_does_not_get_out(tmp_path: Path) -> None:
    live = make(tmp_path, make_routing([1], [2]))
    frames = np.full((64, 6), np.nan, np.float32)
    frames[:, 1] = 0.25
    out = play(live, frames)
    assert np.isfinite(out).all()
    assert live.engine.input_peak[:2].tolist() == [0.0, 0.25]


def test_work_is_counted_and_what_takes_longer_than_its_block_is_late(tmp_path: Path) -> None:
    live = make(tmp_path, make_routing([1], [2]))
    block_ns = round(64e9 / RATE)
    count_block(live, 64, 1_000, 1_000 + block_ns // 10, False)
    count_block(live, 64, 5_000, 5_000 + 2 * block_ns, True)
    engine = live.engine
    assert (engine.blocks, engine.frames, engine.late, engine.missed) == (2, 128, 1, 1)
    assert (engine.first_block_ns, engine.block_at_ns) == (1_000, 5_000)
    assert engine.work_worst_ns == engine.work_ns == 2 * block_ns
    assert np.flatnonzero(engine.work_bins).tolist() == [28, 45]  # 133 us and 2.67 ms, a quarter octave each


def test_the_tuner_fades_all_sound_without_a_click_and_decisions_go_on(tmp_path: Path, demo: np.ndarray) -> None:
    live = make(tmp_path, make_routing([1], [2]))
    steady = play(live, demo)
    (tmp_path / "again").mkdir()
    again = make(tmp_path / "again", make_routing([1], [2]))
    parts = [play(again, demo[:16_000])]
    again.request.tuner = 1
    parts.append(play(again, demo[16_000:28_800]))
    again.request.tuner = 0
    parts.append(play(again, demo[28_800:]))
    faded = np.concatenate(parts)
    assert not faded[16_000 + round(FALL_S * RATE) : 28_800].any()
    np.testing.assert_array_equal(faded[:16_000], steady[:16_000])
    np.testing.assert_array_equal(
        faded[28_800 + round(RISE_S * RATE) + 2 :], steady[28_800 + round(RISE_S * RATE) + 2 :]
    )
    assert np.abs(np.diff(faded, 2, axis=0)).max() <= 1.05 * np.abs(np.diff(steady, 2, axis=0)).max()
    assert int(again.state.events_written) == int(live.state.events_written), "what the mutes follow is the same"
    assert again.state.bass == live.state.bass
