"""Takes of every kind, rigs of every kind, and takes that are no good, rendered."""

import subprocess
import sys
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
    RATE,
    SECONDS,
    TAKE,
    make_take,
    rendered_take,
    rig,
    table,
)
from thumbline.dsp.errors import InputError
from thumbline.dsp.results.render import Rendered, render_take
from thumbline.dsp.rig.model import Rig


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


@pytest.mark.parametrize("rule", ["keep", "unmute all", "mute all"])
def test_silence_modes_reach_the_mutes(tmp_path: Path, rule: str) -> None:
    """Between 2.4 and 2.7 s nothing sounds."""
    _, rows = table(rendered_take(tmp_path, rig(choice={"silence": rule})).folder, "mutes.csv")
    state = dict.fromkeys(range(1, 7), "1")
    for row in rows:
        if float(row["time_s"]) < 2.6:
            state[int(row["string"])] = row["open"]
    opened = [string for string, is_open in state.items() if is_open == "1"]
    assert opened == {"keep": [1], "unmute all": [1, 2, 3, 4, 5, 6], "mute all": []}[rule]


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


def test_rendering_again_replaces_its_own_files_and_keeps_all_others_and_what_was_changed(tmp_path: Path) -> None:
    first = rendered_take(tmp_path)
    (first.folder / "my notes.txt").write_text("mine")
    (first.folder / "bass.wav").write_text("spoilt")
    second = rendered_take(tmp_path)
    assert (second.folder / "my notes.txt").read_text() == "mine"
    assert soundfile.info(str(second.folder / "bass.wav")).frames == FRAMES
    assert {file.name for file in second.folder.iterdir()} == FILES | {"my notes.txt", "bass (changed).wav"}
    assert second.kept_aside == ("bass (changed).wav",)
    assert (second.folder / "bass (changed).wav").read_text() == "spoilt"


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
from thumbline.dsp.results.render import render_take
from thumbline.dsp.rig.model import Rig
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
