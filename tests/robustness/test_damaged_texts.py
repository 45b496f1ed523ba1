"""Rigs, sets and known notes that went wrong on the way: read, or refused in one line, and nothing else."""

import io
import json
from collections.abc import Callable
from itertools import pairwise
from pathlib import Path
from typing import Any

import mido
import pytest
from hypothesis import HealthCheck, given, settings

from tests.helpers.mutations import mutated
from thumbline.dsp.beats.tempo import read_taps
from thumbline.dsp.errors import InputError
from thumbline.dsp.practice.source import read_source
from thumbline.dsp.processor.parameters import compile_parameters
from thumbline.dsp.results.folder import read_result
from thumbline.dsp.rig.edit import save_changes
from thumbline.dsp.rig.file import load_rig, rig_text
from thumbline.dsp.rig.model import Rig
from thumbline.dsp.rig.set_file import load_set
from thumbline.dsp.scoring.truth import load_truth

RIG = rig_text(Rig()).encode()
BARE_RIG = b"""[instrument]
strings = ["E4", "B3", "G3", "D3", "A2", "E2"]
[detect]
on_db = [-40.0, -40.0, -41.5, -40.0, -42.0, -40.0]
[bleed]
matrix = "auto"
[[mutes.modules]]
name = "bass module"
controllers = [102, 103, 104, 105, 106, 107]
[[feet]]
action = "hold"
number = 64
"""
FOOTLESS_RIG = BARE_RIG[: BARE_RIG.index(b"[[feet]]")]
SETS = (
    b'base = "rig.toml"\n[[songs]]\nname = "Slack Water"\nbass = { interval = -24 }\n[[songs]]\nname = "B"\n',
    b'[[songs]]\nname = "A"\nrig = "rig.toml"\n[[songs]]\nname = "Low"\nchoice = { strings = [4, 5, 6] }\n',
)
TABLE = b"onset_s,offset_s,string,midi,fades_s\n0.1,0.5,6,40.0,0.3\n0.4,0.9,1,64.0,\n0.8,1.2,3,57,1.0\n"
NAMED_TABLE = b"string,note,onset_s,offset_s\n6,E2,0.1,0.5\n1,F#4,0.2,0.9\n"


def midi_file() -> bytes:
    track = mido.MidiTrack([mido.MetaMessage("set_tempo", tempo=500_000, time=0)])
    for channel, key in enumerate((64, 59, 55, 50, 45, 40)):
        track.append(mido.Message("control_change", channel=channel, control=101, value=0, time=1))
        track.append(mido.Message("pitchwheel", channel=channel, pitch=1000, time=1))
        track.append(mido.Message("note_on", channel=channel, note=key, velocity=90, time=100))
        track.append(mido.Message("note_off", channel=channel, note=key, time=400))
    stream = io.BytesIO()
    mido.MidiFile(tracks=[track]).save(file=stream)
    return stream.getvalue()


def jams(listed: bool) -> bytes:
    rows: Any = [{"time": 0.1, "duration": 0.4, "value": 40.0, "confidence": None}]
    if not listed:
        rows = {"time": [0.1], "duration": [0.4], "value": [40.0], "confidence": [None]}
    annotations = [
        {"namespace": "note_midi", "data": rows, "annotation_metadata": {"data_source": str(source)}}
        for source in range(6)
    ]
    return json.dumps({"annotations": annotations, "file_metadata": {"duration": 1.0}}).encode()


DEMO_TRUTH = json.dumps({"notes": [{"string": 6, "onset": 0.1, "offset": 0.9, "midi": 40.0, "faded": 0.5}]}).encode()
TRUTHS = {
    "table": (TABLE, NAMED_TABLE),
    "midi": (midi_file(),),
    "jams": (jams(True), jams(False)),
    "demo": (DEMO_TRUTH,),
}

damaged = settings(
    max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow]
)


def accepted(read: Callable[[], Any]) -> Any:
    """What was read, or None if it was refused, which takes one line that can be printed."""
    try:
        return read()
    except InputError as error:
        message = str(error)
    assert message.isprintable()
    return None


@damaged
@given(content=mutated([RIG, BARE_RIG]))
def test_a_damaged_rig_is_refused_in_one_line_or_can_be_played_with(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "rig.toml"
    path.write_bytes(content)
    rig = accepted(lambda: load_rig(path))
    if rig is not None:
        accepted(lambda: compile_parameters(rig, 48_000))


@damaged
@given(content=mutated([BARE_RIG]))
def test_a_damaged_rig_is_edited_or_left_as_it_was(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "rig.toml"
    path.write_bytes(content)
    saved = accepted(lambda: save_changes(path, path, Rig(), {"detect.on_db": [-30.0] * 6}, {"detect.on_db": "louder"}))
    if saved is None:
        assert path.read_bytes() == content
    else:
        assert load_rig(path) == saved
    assert [each.name for each in tmp_path.iterdir()] == ["rig.toml"]


@damaged
@given(content=mutated(SETS))
def test_a_damaged_set_is_refused_in_one_line_or_names_its_settings(tmp_path: Path, content: bytes) -> None:
    (tmp_path / "rig.toml").write_bytes(FOOTLESS_RIG)
    path = tmp_path / "evening.toml"
    path.write_bytes(content)
    found = accepted(lambda: load_set(path))
    if found is not None:
        assert len({setting.name for setting in found}) == len(found) >= 1


@pytest.mark.parametrize("kind", TRUTHS)
def test_damaged_known_notes_are_refused_in_one_line_or_are_notes(tmp_path: Path, kind: str) -> None:
    path = tmp_path / "notes"

    @damaged
    @given(content=mutated(TRUTHS[kind]))
    def holds(content: bytes) -> None:
        path.write_bytes(content)
        notes = accepted(lambda: load_truth(path, Rig()))
        for note in notes or ():
            assert 1 <= note.string <= 6
            assert 0.0 <= note.onset_s <= note.fades_s <= note.faded_s
            assert note.onset_s <= note.offset_s < 86_400.0
            assert abs(note.midi) < 1000.0

    holds()


@damaged
@given(content=mutated([b"0.5\n1.0\n1.5\n2.0\n2.5\n"]))
def test_damaged_taps_are_refused_in_one_line_or_rise(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "taps.txt"
    path.write_bytes(content)
    taps = accepted(lambda: read_taps(path))
    if taps is not None:
        assert all(a < b for a, b in pairwise(taps))


@pytest.mark.parametrize("name", ["summary.json", "bassline.csv", "notes.csv", "mutes.csv"])
def test_a_damaged_result_is_refused_in_one_line_or_read(tmp_path: Path, name: str, result: Path) -> None:
    whole = {file.name: file.read_bytes() for file in result.iterdir() if file.suffix in (".json", ".csv")}
    for file, content in whole.items():
        (tmp_path / file).write_bytes(content)

    @damaged
    @given(content=mutated([whole[name]]))
    def holds(content: bytes) -> None:
        (tmp_path / name).write_bytes(content)
        accepted(lambda: read_result(tmp_path))

    holds()


@pytest.mark.parametrize("name", ["summary.json", "bassline.csv", "notes.csv", "pitch.csv"])
def test_a_damaged_result_is_refused_in_one_line_or_practised_with(tmp_path: Path, name: str, result: Path) -> None:
    for file in result.iterdir():
        (tmp_path / file.name).write_bytes(file.read_bytes())

    @damaged
    @given(content=mutated([(result / name).read_bytes()]))
    def holds(content: bytes) -> None:
        (tmp_path / name).write_bytes(content)
        accepted(lambda: read_source(tmp_path, Rig()))

    holds()


def test_the_files_that_are_damaged_are_good_ones(tmp_path: Path) -> None:
    path = tmp_path / "rig.toml"
    for content in (RIG, BARE_RIG):
        path.write_bytes(content)
        assert load_rig(path).string_count == 6
    path.write_bytes(FOOTLESS_RIG)
    for content in SETS:
        (tmp_path / "set.toml").write_bytes(content)
        assert len(load_set(tmp_path / "set.toml")) == 2
    for kind in TRUTHS.values():
        for content in kind:
            (tmp_path / "notes").write_bytes(content)
            assert load_truth(tmp_path / "notes", Rig())
