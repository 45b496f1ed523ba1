"""A rendered take: every file, its columns and types, its length; and what rendering leaves alone.

What the files must be is the contract that outside programs rely on; each check reads them as an outsider would.
"""

import json
from pathlib import Path

import numpy as np
import pytest
import soundfile

from tests.helpers.midi_reading import midi_messages
from tests.material.rendered_takes import (
    BASS,
    FILES,
    FRAMES,
    NOTE_COLUMNS,
    PLAYED,
    RATE,
    rendered_take,
    table,
)
from thumbline.dsp.results.render import Rendered
from thumbline.dsp.rig.model import Rig
from thumbline.dsp.synthetic.demo_score import STRINGS


def test_the_folder_is_named_after_the_take_and_holds_what_was_promised(result: Rendered) -> None:
    assert result.folder.name == "quay"
    assert {file.name for file in result.folder.iterdir()} == FILES
    assert [path.name for path in result.folder.parent.iterdir()] == ["quay"], "nothing hidden is left"


@pytest.mark.parametrize("name", ["bass.wav", "guitar.wav"])
def test_sound_files_are_mono_at_the_take_s_rate_and_as_long_as_the_take(result: Rendered, name: str) -> None:
    info = soundfile.info(str(result.folder / name))
    assert (info.samplerate, info.frames, info.channels) == (RATE, FRAMES, 1)


@pytest.mark.parametrize("name", ["bassline.csv", "notes.csv"])
def test_note_tables_have_the_columns_and_types_of_the_contract(result: Rendered, name: str) -> None:
    columns, rows = table(result.folder, name)
    assert columns == NOTE_COLUMNS
    assert rows
    for row in rows:
        assert 0.0 <= float(row["onset_s"]) < float(row["offset_s"]) <= FRAMES / RATE
        assert len(row["onset_s"].split(".")[1]) >= 4, "a tenth of a millisecond or finer"
        assert 1 <= int(row["string"]) <= 6
        assert 0 <= int(row["fret"]) <= 24
        assert 1 <= int(row["velocity"]) <= 127
        assert float(row["midi"]) == pytest.approx(69 + 12 * np.log2(float(row["hz"]) / 440.0), abs=1e-3)
        assert abs(float(row["cents"])) <= 50.0


def test_every_note_is_in_the_notes(result: Rendered) -> None:
    _, rows = table(result.folder, "notes.csv")
    assert [(int(row["string"]), int(row["fret"])) for row in rows] == [(s, f) for s, f, _, _ in PLAYED]
    for row, (_, _, start, stop) in zip(rows, PLAYED, strict=True):
        assert float(row["onset_s"]) == pytest.approx(start, abs=0.003)
        assert float(row["offset_s"]) == pytest.approx(stop, abs=0.025)


def test_the_bass_line_is_the_lowest_string_and_starts_a_row_where_a_lower_one_stopped(
    result: Rendered,
) -> None:
    _, rows = table(result.folder, "bassline.csv")
    assert [int(row["string"]) for row in rows] == [string for string, _, _ in BASS]
    for row, (_, start, stop) in zip(rows, BASS, strict=True):
        assert float(row["onset_s"]) == pytest.approx(start, abs=0.025)
        assert float(row["offset_s"]) == pytest.approx(stop, abs=0.025)


def test_pitch_is_reported_at_least_every_10_ms_of_every_sounding_note(result: Rendered) -> None:
    columns, rows = table(result.folder, "pitch.csv")
    assert columns == ["time_s", "string", "hz", "confidence", "level_db"]
    for string, fret, start, stop in PLAYED:
        mine = [row for row in rows if int(row["string"]) == string]
        times = [float(row["time_s"]) for row in mine if start + 0.03 < float(row["time_s"]) < stop]
        assert times[0] - (start + 0.03) < 0.010
        assert stop - times[-1] < 0.010
        assert max(np.diff(times)) <= 0.010
        hz = np.array([float(row["hz"]) for row in mine if start + 0.2 < float(row["time_s"]) < stop - 0.02])
        true = 440.0 * 2.0 ** ((STRINGS[string].open_midi + fret - 69.0) / 12.0)
        assert np.abs(1200.0 * np.log2(hz / true)).max() < 3.0
    for row in rows:
        assert 0.0 <= float(row["confidence"]) <= 1.0
        assert -160.0 <= float(row["level_db"]) <= 0.0


def test_the_path_of_the_mutes_opens_the_bass_and_closes_the_rest(result: Rendered) -> None:
    columns, rows = table(result.folder, "mutes.csv")
    assert columns == ["time_s", "string", "open"]
    assert {row["open"] for row in rows} == {"0", "1"}
    times = [float(row["time_s"]) for row in rows]
    assert times == sorted(times)
    for string, start, stop in BASS:
        state = dict.fromkeys(range(1, 7), 1)
        for row in rows:
            if float(row["time_s"]) < (start + stop) / 2:
                state[int(row["string"])] = int(row["open"])
        assert [s for s, is_open in state.items() if is_open] == [string]
    state = {int(row["string"]): row["open"] for row in rows}
    assert set(state.values()) == {"1"}, "all open at the end"


def test_the_bass_sounds_where_there_is_a_bass_and_the_rest_where_there_is_none(result: Rendered) -> None:
    bass, _ = soundfile.read(result.folder / "bass.wav")
    for _, start, stop in BASS:
        part = bass[round((start + 0.05) * RATE) : round((stop - 0.05) * RATE)]
        assert np.sqrt(np.mean(part**2)) > 0.005
    assert np.abs(bass[: round(0.29 * RATE)]).max() < 1e-3
    guitar, _ = soundfile.read(result.folder / "guitar.wav")
    assert np.sqrt(np.mean(guitar[round(1.1 * RATE) : round(1.5 * RATE)] ** 2)) > 0.01


def test_the_bass_is_an_octave_below_the_string(result: Rendered) -> None:
    """Read from a spectrum, by no code of ours: G2 is played (98 Hz), G1 sounds (49 Hz)."""
    bass, _ = soundfile.read(result.folder / "bass.wav")
    part = bass[round(1.1 * RATE) : round(1.55 * RATE)]
    spectrum = np.abs(np.fft.rfft(part * np.hanning(len(part)), 1 << 18))
    hz = np.fft.rfftfreq(1 << 18, 1 / RATE)
    near = (hz > 40.0) & (hz < 60.0)
    lowest = hz[near][np.argmax(spectrum[near])]
    assert spectrum[near].max() > 0.2 * spectrum.max()
    played_hz = 440.0 * 2.0 ** ((STRINGS[6].open_midi + 3 - 69.0) / 12.0)
    assert 1200.0 * np.log2(2.0 * lowest / played_hz) == pytest.approx(0.0, abs=15.0)


def test_bass_mid_holds_the_bass_line_an_octave_down(result: Rendered) -> None:
    _, rows = table(result.folder, "bassline.csv")
    messages = midi_messages(result.folder / "bass.mid")
    ons = [(time, m.note) for time, m in messages if m.type == "note_on" and m.velocity]
    offs = [(time, m.note) for time, m in messages if m.type == "note_off" or (m.type == "note_on" and not m.velocity)]
    assert len(ons) == len(offs) == len(rows)
    for (time, key), row in zip(ons, rows, strict=True):
        assert time == pytest.approx(float(row["onset_s"]), abs=2e-4)
        assert key == round(float(row["midi"])) - 12
    for (time, _), row in zip(offs, rows, strict=True):
        assert time == pytest.approx(float(row["offset_s"]), abs=2e-4)


def test_mutes_mid_holds_the_decisions_and_leaves_all_strings_open(result: Rendered) -> None:
    _, rows = table(result.folder, "mutes.csv")
    module = Rig().mutes.modules[0]
    changes = [(t, m) for t, m in midi_messages(result.folder / "mutes.mid") if m.type == "control_change"]
    state: dict[int, int] = {}
    for _, message in changes:
        assert message.channel == module.channel - 1
        state[module.controllers.index(message.control) + 1] = message.value
    assert state == dict.fromkeys(range(1, 7), module.unmuted_value)
    at_start = changes[:6]
    assert {message.control for _, message in at_start} == set(module.controllers)
    assert all(time == 0.0 and message.value == module.unmuted_value for time, message in at_start)
    assert len(changes) == 6 + len(rows)
    for (time, message), row in zip(changes[6:], rows, strict=True):
        assert time == pytest.approx(float(row["time_s"]), abs=2e-4)
        assert module.controllers.index(message.control) + 1 == int(row["string"])
        assert message.value == (module.unmuted_value if row["open"] == "1" else module.muted_value)


def test_the_summary_has_the_keys_of_the_contract(result: Rendered) -> None:
    summary = json.loads((result.folder / "summary.json").read_text("utf-8"))
    assert summary == result.summary
    wanted = {
        "take",
        "seconds",
        "sample_rate",
        "strings",
        "bass_notes",
        "processing_s",
        "times_real_time",
        "peak_dbfs",
        "version",
        "rig",
        "faulty_channels",
        "strings_without_notes",
    }
    assert wanted <= set(summary)
    assert summary["faulty_channels"] == []
    assert summary["take"] == "quay"
    assert summary["seconds"] == pytest.approx(FRAMES / RATE, abs=1e-6)
    assert (summary["sample_rate"], summary["strings"]) == (RATE, 6)
    assert summary["bass_notes"] == len(table(result.folder, "bassline.csv")[1])
    assert summary["times_real_time"] == pytest.approx(summary["seconds"] / summary["processing_s"], rel=0.05)
    for name in ("bass.wav", "guitar.wav"):
        samples, _ = soundfile.read(result.folder / name)
        assert summary["peak_dbfs"][name] == pytest.approx(20 * np.log10(np.abs(samples).max()), abs=0.01)
    used = Rig.model_validate(summary["rig"])
    assert "auto" not in (used.input.mains_hz, used.detect.on_db, used.bleed.matrix)


def test_the_rig_in_the_summary_renders_the_same_again(result: Rendered, tmp_path: Path) -> None:
    again = rendered_take(tmp_path, Rig.model_validate(result.summary["rig"]))
    for name in sorted(FILES - {"summary.json"}):
        assert (again.folder / name).read_bytes() == (result.folder / name).read_bytes(), name


def test_the_overview_is_a_picture(result: Rendered) -> None:
    assert (result.folder / "overview.png").read_bytes()[:8] == b"\x89PNG\r\n\x1a\n"
