"""A rendered take: every file, its columns and types, its length; and what rendering leaves alone.

What the files must be is the contract that outside programs rely on; each check reads them as an outsider would.
"""

import csv
import json
import subprocess
import sys
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import mido
import numpy as np
import pytest
import soundfile
from numpy.typing import NDArray

from thumbline.dsp.demo_score import STRINGS
from thumbline.dsp.errors import InputError
from thumbline.dsp.model_take import add_bleed, bleed_matrix, hiss, render_string
from thumbline.dsp.render import Rendered, render_take
from thumbline.dsp.rig import Rig
from thumbline.dsp.string_model import Pluck

RATE = 44_100
SECONDS = 3.7
FRAMES = round(SECONDS * RATE) + 13  # no whole number of blocks

FILES = {
    "bass.wav",
    "guitar.wav",
    "bassline.csv",
    "notes.csv",
    "pitch.csv",
    "mutes.csv",
    "bass.mid",
    "mutes.mid",
    "overview.png",
    "summary.json",
}
NOTE_COLUMNS = ["onset_s", "offset_s", "string", "fret", "midi", "note", "hz", "cents", "velocity"]

#: String, fret, start and stop in seconds. The bass by the oracle of one's own eyes: 5, 6, 5, 1, none, 3.
PLAYED = [(5, 3, 0.3, 2.0), (1, 0, 0.5, 2.4), (6, 3, 1.0, 1.6), (3, 2, 2.7, 3.3)]
BASS = [(5, 0.3, 1.0), (6, 1.0, 1.6), (5, 1.6, 2.0), (1, 2.0, 2.4), (3, 2.7, 3.3)]


def rig(**sections: Mapping[str, object]) -> Rig:
    return Rig.model_validate(sections)


def make_take(rate: int = RATE, frames: int = FRAMES) -> NDArray[np.float64]:
    rng = np.random.default_rng(3)
    strings = np.zeros((frames, 6))
    for string, fret, start, stop in PLAYED:
        pluck = Pluck(start, STRINGS[string].open_midi + fret, stop, 0.8)
        strings[:, string - 1] += render_string(STRINGS[string], [pluck], frames, rate, rng)[0]
    take = add_bleed(strings, bleed_matrix(6, -28.0, 8.0, rng))
    return take + hiss(frames, 6, -85.0, rng)


TAKE = make_take()


def rendered_take(folder: Path, settings: Rig | None = None, name: str = "quay.wav") -> Rendered:
    path = folder / name
    if not path.exists():
        soundfile.write(path, TAKE, RATE, "PCM_24")
    return render_take(path, folder / "out", settings or Rig())


@pytest.fixture(scope="module")
def result(tmp_path_factory: pytest.TempPathFactory) -> Rendered:
    return rendered_take(tmp_path_factory.mktemp("render"))


def table(folder: Path, name: str) -> tuple[list[str], list[dict[str, str]]]:
    with (folder / name).open(encoding="utf-8", newline="") as file:
        reader = csv.DictReader(file)
        return list(reader.fieldnames or []), list(reader)


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


def midi_messages(path: Path) -> list[tuple[float, Any]]:
    """Times in seconds and messages, whose attributes depend on their type."""
    now = 0.0
    messages: list[tuple[float, Any]] = []
    for message in mido.MidiFile(path):
        now += message.time
        messages.append((now, message))
    return messages


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
    assert state == dict.fromkeys(range(1, 7), module.open_value)
    at_start = changes[:6]
    assert {message.control for _, message in at_start} == set(module.controllers)
    assert all(time == 0.0 and message.value == module.open_value for time, message in at_start)
    assert len(changes) == 6 + len(rows)
    for (time, message), row in zip(changes[6:], rows, strict=True):
        assert time == pytest.approx(float(row["time_s"]), abs=2e-4)
        assert module.controllers.index(message.control) + 1 == int(row["string"])
        assert message.value == (module.open_value if row["open"] == "1" else module.closed_value)


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


def test_a_stereo_guitar_has_two_different_sides_as_long_as_the_take(tmp_path: Path) -> None:
    settings = rig(guitar={"stereo": True, "pan": [1.0, 0.6, 0.2, -0.2, -0.6, -1.0]})
    folder = rendered_take(tmp_path, settings).folder
    sound, rate = soundfile.read(folder / "guitar.wav")
    assert (sound.shape, rate) == ((FRAMES, 2), RATE)
    # While string 6 is the bass, string 1 (right) and 5 (left of the middle) are the rest.
    part = sound[round(2.05 * RATE) : round(2.35 * RATE)]
    assert np.abs(sound[:, 0] - sound[:, 1]).max() > 0.01
    assert np.isfinite(part).all()


@pytest.mark.parametrize("interval", [-24, -7, 0])
def test_the_interval_of_the_rig_moves_the_midi_bass(tmp_path: Path, interval: int) -> None:
    folder = rendered_take(tmp_path, rig(bass={"interval": interval})).folder
    keys = [m.note for _, m in midi_messages(folder / "bass.mid") if m.type == "note_on" and m.velocity]
    midis = [round(float(row["midi"])) for row in table(folder, "bassline.csv")[1]]
    assert keys == [midi + interval for midi in midis]


@pytest.mark.parametrize("rule", ["keep", "open all", "close all"])
def test_silence_modes_reach_the_mutes(tmp_path: Path, rule: str) -> None:
    """Between 2.4 and 2.7 s nothing sounds."""
    _, rows = table(rendered_take(tmp_path, rig(choice={"silence": rule})).folder, "mutes.csv")
    state = dict.fromkeys(range(1, 7), "1")
    for row in rows:
        if float(row["time_s"]) < 2.6:
            state[int(row["string"])] = row["open"]
    opened = [string for string, is_open in state.items() if is_open == "1"]
    assert opened == {"keep": [1], "open all": [1, 2, 3, 4, 5, 6], "close all": []}[rule]


@pytest.mark.parametrize("rate", [22_050, 48_000, 96_000, 192_000])
def test_any_rate_finds_the_same_bass_line(tmp_path: Path, rate: int) -> None:
    frames = round(SECONDS * rate)
    soundfile.write(tmp_path / "take.wav", make_take(rate, frames), rate, "FLOAT")
    folder = render_take(tmp_path / "take.wav", tmp_path / "out", Rig()).folder
    assert soundfile.info(str(folder / "bass.wav")).frames == frames
    assert soundfile.info(str(folder / "bass.wav")).samplerate == rate
    rows = table(folder, "bassline.csv")[1]
    assert [int(row["string"]) for row in rows] == [string for string, _, _ in BASS]


@pytest.mark.parametrize(
    ("suffix", "kind", "subtype"),
    [
        ("wav", "WAV", "PCM_16"),
        ("wav", "WAV", "DOUBLE"),
        ("wav", "RF64", "PCM_24"),
        ("flac", "FLAC", "PCM_24"),
        ("aiff", "AIFF", "PCM_24"),
        ("caf", "CAF", "FLOAT"),
    ],
)
def test_any_format_finds_the_same_bass_line(tmp_path: Path, suffix: str, kind: str, subtype: str) -> None:
    path = tmp_path / f"take.{suffix}"
    soundfile.write(path, TAKE, RATE, subtype, format=kind)
    rows = table(render_take(path, tmp_path / "out", Rig()).folder, "bassline.csv")[1]
    assert [int(row["string"]) for row in rows] == [string for string, _, _ in BASS]


def test_a_folder_of_mono_files_is_the_same_as_one_file(result: Rendered, tmp_path: Path) -> None:
    folder = tmp_path / "quay"
    folder.mkdir()
    for s in range(6):
        soundfile.write(folder / f"string {s + 1}.wav", TAKE[:, s], RATE, "PCM_24")
    again = render_take(folder, tmp_path / "out", Rig())
    for name in sorted(FILES - {"summary.json"}):
        assert (again.folder / name).read_bytes() == (result.folder / name).read_bytes(), name


def test_swapped_channels_are_put_right_by_the_rig(tmp_path: Path) -> None:
    soundfile.write(tmp_path / "take.wav", TAKE[:, ::-1], RATE, "PCM_24")
    settings = rig(input={"channels": [6, 5, 4, 3, 2, 1]})
    rows = table(render_take(tmp_path / "take.wav", tmp_path / "out", settings).folder, "bassline.csv")[1]
    assert [int(row["string"]) for row in rows] == [string for string, _, _ in BASS]


def test_rendering_again_replaces_its_own_files_and_keeps_all_others(tmp_path: Path) -> None:
    first = rendered_take(tmp_path)
    (first.folder / "my notes.txt").write_text("mine")
    (first.folder / "bass.wav").write_text("spoilt")
    second = rendered_take(tmp_path)
    assert (second.folder / "my notes.txt").read_text() == "mine"
    assert soundfile.info(str(second.folder / "bass.wav")).frames == FRAMES
    assert {file.name for file in second.folder.iterdir()} == FILES | {"my notes.txt"}


def test_a_take_that_turns_out_damaged_leaves_the_former_result(tmp_path: Path) -> None:
    first = rendered_take(tmp_path)
    before = {file.name: file.read_bytes() for file in first.folder.iterdir()}
    spoilt = TAKE.copy()
    spoilt[-1, 3] = np.nan
    soundfile.write(tmp_path / "quay.wav", spoilt, RATE, "FLOAT")
    with pytest.raises(InputError, match="NaN"):
        rendered_take(tmp_path)
    assert {file.name: file.read_bytes() for file in first.folder.iterdir()} == before
    assert [path.name for path in (tmp_path / "out").iterdir()] == ["quay"]


def test_channels_with_samples_that_cannot_be_sound_are_in_the_summary_and_the_notes_are_found(tmp_path: Path) -> None:
    frames = TAKE.copy()
    frames[round(0.1 * RATE), 3], frames[round(2.5 * RATE) :: 5000, 1] = 1e30, -2e6
    soundfile.write(tmp_path / "take.wav", frames, RATE, "FLOAT")
    found = render_take(tmp_path / "take.wav", tmp_path / "out", Rig())
    assert found.summary["faulty_channels"] == [2, 4]
    rows = table(found.folder, "bassline.csv")[1]
    assert [int(row["string"]) for row in rows] == [string for string, _, _ in BASS]


@pytest.mark.parametrize("frames", [0, 1, 50, 4000])
def test_silence_however_short_is_rendered(tmp_path: Path, frames: int) -> None:
    soundfile.write(tmp_path / "silence.wav", np.zeros((frames, 6)), RATE)
    found = render_take(tmp_path / "silence.wav", tmp_path / "out", Rig())
    assert {file.name for file in found.folder.iterdir()} == FILES
    assert found.summary["bass_notes"] == 0
    assert soundfile.info(str(found.folder / "bass.wav")).frames == frames
    assert table(found.folder, "bassline.csv") == (NOTE_COLUMNS, [])


def test_progress_goes_from_nothing_to_all_and_never_back(tmp_path: Path) -> None:
    soundfile.write(tmp_path / "take.wav", TAKE, RATE)
    for mains_hz in ("auto", "off"):
        shares: list[float] = []
        render_take(tmp_path / "take.wav", tmp_path / "out", rig(input={"mains_hz": mains_hz}), shares.append)
        assert shares == sorted(shares)
        assert shares[-1] == pytest.approx(1.0)


PEAK_MEMORY = """
import resource, sys
from pathlib import Path
from thumbline.dsp.render import render_take
from thumbline.dsp.rig import Rig
render_take(Path(sys.argv[1]), Path(sys.argv[2]), Rig())
print(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss)
"""


@pytest.mark.skipif(sys.platform != "linux", reason="peak memory is read in Linux' unit, KiB")
def test_a_long_take_needs_no_more_memory_than_a_short_one(tmp_path: Path) -> None:
    """As float64, a minute of these six channels is 63 MB; a quarter of that a minute would not be streaming."""
    rate = 22_050
    phrase = make_take(rate, round(SECONDS * rate))
    running = []
    for name, minutes in (("short", 0.25), ("long", 1.25)):
        path = tmp_path / f"{name}.wav"
        with soundfile.SoundFile(path, "w", rate, 6, "PCM_16") as file:
            for _ in range(round(60.0 * minutes / SECONDS)):
                file.write(phrase)
        command = [sys.executable, "-c", PEAK_MEMORY, str(path), str(tmp_path)]
        running.append(subprocess.Popen(command, stdout=subprocess.PIPE, text=True))
    peak_mb = [int(process.communicate(timeout=120)[0]) / 1024.0 for process in running]
    assert peak_mb[1] - peak_mb[0] < 15.0, peak_mb
