"""What the console reads from the shared memory, and what its keys write there."""

import math
from pathlib import Path

import numpy as np
import pytest
import soundfile

from tests.helpers.places import DATA
from thumbline.cli.console.listener import Listener
from thumbline.cli.console.make_memory import create
from thumbline.cli.console.routing import make_routing
from thumbline.cli.songs.wishes import press
from thumbline.dsp.kernel.process import process
from thumbline.dsp.memory.events import EVENTS, FAULT
from thumbline.dsp.memory.record_type import Record
from thumbline.dsp.rig.model import Rig
from thumbline.dsp.synthetic.demo_score import STRINGS
from thumbline.dsp.synthetic.model_take import render_string
from thumbline.dsp.synthetic.string_model import Pluck

SETTINGS = [("Slack Water", Rig()), ("Low Tide", Rig.model_validate({"bass": {"interval": -24, "tone_hz": 900.0}}))]


@pytest.fixture
def live(tmp_path: Path) -> Record:
    return create(tmp_path / "memory", SETTINGS, rate=48000, block_frames=64, routing=make_routing([1], [2]))


def hear(live: Record, seconds: float) -> int:
    """Let the kernel hear the beginning of the demo take, as the engine would."""
    frames, rate = soundfile.read(DATA / "demo_open_strings.flac", frames=round(seconds * 48000))
    assert rate == 48000
    out = np.zeros((len(frames), 3))
    process(live.params[0], live.state, np.ascontiguousarray(frames), out)
    live.engine.rate, live.engine.frames = rate, len(frames)
    return len(frames)


def test_strings_bass_and_pitch_are_those_of_the_sound(live: Record) -> None:
    listener = Listener(live, SETTINGS)
    hear(live, 3.2)  # the low E was plucked at 2.5 s and rings until 3.3
    happened = listener.happened()
    view = listener.view()
    low = view.strings[5]
    assert (low.sounding, low.bass, low.note, low.open_note) == (True, True, "E2", "E2")
    assert abs(low.cents - 100.0 * (STRINGS[6].open_midi - 40)) < 5.0
    assert -40.0 < low.level_db < -3.0
    assert not any(string.bass or string.note for string in view.strings[:5])
    kinds = [event["event"] for event in happened]
    assert kinds.index("pluck") < kinds.index("note")
    handover = next(event for event in happened if event["event"] == "handover")
    assert handover["string"] == 6
    assert handover["cause"] == "pluck"
    assert 2.5 < handover["decided_s"] < 2.52
    assert listener.happened() == []


def test_a_note_that_has_ended_is_shown_no_more(live: Record) -> None:
    listener = Listener(live, SETTINGS)
    hear(live, 3.48)
    happened = listener.happened()
    assert "end" in [event["event"] for event in happened]
    assert not any(string.note for string in listener.view().strings)


def test_a_note_of_60_ms_that_has_come_and_gone_between_two_looks_is_shown(live: Record) -> None:
    pluck = Pluck(0.2, STRINGS[5].open_midi + 3, 0.26, damp_s=0.012)
    frames = np.zeros((round(0.32 * 48000), 6))
    frames[:, 4] = render_string(STRINGS[5], [pluck], len(frames), 48000, np.random.default_rng(3))[0]
    listener = Listener(live, SETTINGS)
    process(live.params[0], live.state, frames, np.zeros((len(frames), 3)))
    live.engine.rate, live.engine.frames = 48000, len(frames)
    assert [event["event"] for event in listener.happened()][-2:] == ["end", "handover"]
    string = listener.view().strings[4]
    assert (string.sounding, string.bass, string.note) == (False, True, "C3")
    live.engine.frames = len(frames) + 48000 * 2 // 10
    string = listener.view().strings[4]
    assert (string.bass, string.note) == (False, "")


def test_mutes_ports_and_figures_are_those_that_were_written(live: Record) -> None:
    live.keeper.closed[0] = live.keeper.closed[3] = 1
    live.keeper.port, live.keeper.port_present = b"module in", 1
    live.engine.block_frames, live.engine.rate = 64, 48000
    live.engine.work_worst_ns = 2_000_000
    live.engine.output_peak[0] = 0.5
    view = Listener(live, SETTINGS).view("hello", alarm=True)
    assert [string.number for string in view.strings if string.muted] == [1, 4]
    assert view.midi.port == "module in"
    assert view.engine.block_ms == pytest.approx(1.3333, abs=1e-3)
    assert view.engine.worst_ms == 2.0
    assert view.engine.peaks_db[0] == pytest.approx(-6.02, abs=0.01)
    assert len(view.engine.peaks_db) == 2
    assert (view.notice, view.alarm) == ("hello", True)


def test_an_engine_started_afresh_does_not_confuse_it(live: Record) -> None:
    listener = Listener(live, SETTINGS)
    hear(live, 2.7)
    listener.happened()
    live.state["events_written"] = 0
    assert listener.happened() == []


def test_what_is_asked_for_is_what_is_shown(live: Record) -> None:
    listener = Listener(live, SETTINGS)
    view = listener.view()
    assert (view.interval, view.tone_hz, view.bass_level_db, view.split) == (-12, 3000.0, 0.0, True)
    for key in "shoo-->":
        assert press(key, live, listener.rig)
    assert int(live.request.setting) == 1
    live.engine.setting = 1  # as the engine does at its next block
    view = listener.view()
    assert (view.song, view.song_number, view.song_count) == ("Low Tide", 2, 2)
    assert (view.split, view.hold, view.all_unmuted) == (False, True, False)
    assert (view.interval, view.tone_hz, view.bass_level_db) == (-24, 900.0, -2.0)


def test_another_setting_by_key_has_its_own_interval(live: Record) -> None:
    live.request.interval, live.request.bass_level_db = -7.0, -6.0
    for key in "><":
        live.request.interval, live.request.setting = -7.0, 0
        assert press(key, live, Rig())
        assert np.isnan(float(live.request.interval))
    assert float(live.request.bass_level_db) == -6.0


def test_the_character_of_the_bass_goes_round_and_is_another_song_s_own(live: Record) -> None:
    listener = Listener(live, SETTINGS)
    seen = [listener.view().character]
    for _ in range(4):
        press("c", live, Rig())
        seen.append(listener.view().character)
    assert seen == ["raw", "round", "fingered", "picked", "raw"]
    press("c", live, Rig())
    press(">", live, Rig())
    assert int(live.request.character) == 0


def test_latencies_that_are_none_are_not_shown(live: Record) -> None:
    listener = Listener(live, SETTINGS)
    live.engine.input_latency_s, live.engine.output_latency_s = 0.003, 0.002
    assert listener.view().engine.latency_ms == pytest.approx(5.0)
    live.engine.input_latency_s = 0.0
    assert listener.view().engine.latency_ms == 0.0


def test_keys_stay_within_what_is_accepted(live: Record) -> None:
    rig = Rig()
    for _ in range(100):
        press("+", live, rig)
        press("]", live, rig)
    assert float(live.request.bass_level_db) == 12.0
    assert float(live.request.tone_hz) == 20000.0
    for _ in range(200):
        press("-", live, rig)
        press("[", live, rig)
    assert float(live.request.bass_level_db) == -60.0
    assert float(live.request.tone_hz) == 80.0
    press("r", live, rig)
    assert (float(live.request.bass_level_db), float(live.request.tone_hz)) == (0.0, 0.0)
    assert math.isnan(float(live.request.interval))


def test_settings_go_round(live: Record) -> None:
    rig = Rig()
    for key, setting in ((">", 1), (">", 0), ("<", 1)):
        press(key, live, rig)
        assert int(live.request.setting) == setting, key


def test_only_q_stops_and_unknown_keys_do_nothing(live: Record) -> None:
    before = live.request.tobytes()
    for key in "xyzäé\n\t":
        assert press(key, live, Rig())
    assert live.request.tobytes() == before
    assert not press("q", live, Rig())


def test_a_channel_that_holds_no_sound_is_told_with_its_number(live: Record) -> None:
    listener = Listener(live, SETTINGS)
    written = int(live.state["events_written"])
    event = live.state["events"][written & (EVENTS - 1)]
    event["kind"], event["string"], event["value"] = FAULT, 3, 5.0
    live.state["events_written"] = live.engine.events = written + 1
    found = [each for each in listener.happened() if each["event"] == "channel fault"]
    assert [each["channel"] for each in found] == [5]
