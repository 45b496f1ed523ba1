"""Truth files: what is read from each kind, and one clear line for what cannot be."""

import json
from pathlib import Path
from tempfile import NamedTemporaryFile

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.helpers.places import DATA
from thumbline.dsp.errors import InputError
from thumbline.dsp.rig.model import Rig
from thumbline.dsp.scoring.truth import TrueNote, load_truth

RIG = Rig()
NOTE = TrueNote(6, 40.0, 0.5, 1.25, 1.25, 1.25)


def read(path: Path, content: str | bytes, rig: Rig = RIG) -> tuple[TrueNote, ...]:
    path.write_bytes(content if isinstance(content, bytes) else content.encode())
    return load_truth(path, rig)


def test_a_table_needs_times_string_and_pitch_and_may_have_more(tmp_path: Path) -> None:
    table = "string,comment,midi,onset_s,offset_s\n6,low,40,0.5,1.25\n1,high,64.25,0.5,0.75\n"
    assert read(tmp_path / "pier.txt", table) == (NOTE, TrueNote(1, 64.25, 0.5, 0.75, 0.75, 0.75))


def test_a_table_made_by_a_spreadsheet_is_read(tmp_path: Path) -> None:
    table = "\ufeffonset_s,offset_s,string,midi\r\n0.5,1.25,6,40\r\n"
    assert read(tmp_path / "pier.csv", table) == (NOTE,)


@pytest.mark.parametrize(("column", "value"), [("hz", "82.4068892282175"), ("note", "E2"), ("midi", "40")])
def test_a_pitch_may_be_a_key_number_a_frequency_or_a_name(tmp_path: Path, column: str, value: str) -> None:
    (note,) = read(tmp_path / "pier.csv", f"onset_s,offset_s,string,{column}\n0,1,6,{value}\n")
    assert note.midi == pytest.approx(40.0, abs=1e-9)


def test_a_frequency_is_taken_at_the_tuning_of_the_rig(tmp_path: Path) -> None:
    rig = Rig.model_validate({"instrument": {"a4_hz": 432.0}})
    (note,) = read(tmp_path / "pier.csv", "onset_s,offset_s,string,hz\n0,1,1,432\n", rig)
    assert note.midi == pytest.approx(69.0)


def test_when_a_note_fades_is_taken_from_the_table(tmp_path: Path) -> None:
    (note,) = read(tmp_path / "pier.csv", "onset_s,offset_s,string,midi,fades_s,faded_s\n0,2,6,40,1,1.5\n")
    assert (note.fades_s, note.faded_s) == (1.0, 1.5)


def test_the_truth_of_the_demo_take_is_read() -> None:
    notes = load_truth(DATA / "demo.json", RIG)
    assert len(notes) == 128
    assert notes[0] == TrueNote(1, 64.0456, 0.60329, 1.45225, 1.45225, 1.45225)


def jams(*annotations: dict[str, object]) -> str:
    return json.dumps({"annotations": annotations, "file_metadata": {}, "sandbox": {}})


def annotation(source: object, data: object, namespace: str = "note_midi") -> dict[str, object]:
    return {"namespace": namespace, "annotation_metadata": {"data_source": source}, "data": data}


ONE = [{"time": 0.5, "duration": 0.75, "value": 40, "confidence": None}]


def test_in_jams_the_lowest_string_is_0(tmp_path: Path) -> None:
    assert read(tmp_path / "pier.jams", jams(annotation("0", ONE))) == (NOTE,)
    assert read(tmp_path / "pier.jams", jams(annotation("5", ONE)))[0].string == 1


def test_both_ways_to_write_observations_are_read(tmp_path: Path) -> None:
    columns = {"time": [0.5], "duration": [0.75], "value": [40], "confidence": [None]}
    assert read(tmp_path / "pier.jams", jams(annotation("0", columns))) == (NOTE,)


def test_other_annotations_are_passed_over(tmp_path: Path) -> None:
    chord = annotation("", [{"time": 0.0, "duration": 1.0, "value": "E:min"}], "chord")
    assert read(tmp_path / "pier.jams", jams(chord, annotation("0", ONE))) == (NOTE,)


HEAD = "onset_s,offset_s,string,midi\n"
BAD = {
    "an empty file": ("", "has no column onset_s"),
    "another table": ("time_s,hz\n1,2\n", "has no column onset_s"),
    "no pitch": ("onset_s,offset_s,string\n0,1,2\n", "has no column midi (or hz, or note)"),
    "no rows": (HEAD, "holds no notes"),
    "a word": (HEAD + "0,1,two,40\n", "line 2: string is two; accepted: a number, 1 to 6"),
    "a field longer than a table may have": (HEAD + f"0,1,6,{'4' * 200_000}\n", "line 2 is not a row of a table"),
    "half a string": (HEAD + "0,1,2.5,40\n", "line 2: string is 2.5; accepted: a whole number"),
    "a seventh string": (HEAD + "0,1,7,40\n", "line 2: string is 7; accepted: a number, 1 to 6"),
    "time before the take": (HEAD + "-1,1,6,40\n", "line 2: onset_s is -1"),
    "an end before the beginning": (HEAD + "0,1,6,40\n2,1,6,40\n", "line 3: offset_s is 1; accepted: a number, 2 to"),
    "no number": (HEAD + "nan,1,6,40\n", "line 2: onset_s is nan"),
    "endless": (HEAD + "0,inf,6,40\n", "line 2: offset_s is inf"),
    "a short row": (HEAD + "0,1\n", "line 2: string is missing"),
    "an odd name": ("onset_s,offset_s,string,note\n0,1,6,H2\n", 'line 2: note name is "H2"'),
    "no text": (b"\xff\xfe\x00", "byte 0 is not text in UTF-8"),
    "half JSON": ('{"notes": [', "is not JSON"),
    "deep JSON": ("[" * 100_000, "is not JSON"),
    "other JSON": ('{"a": 1}', "is JSON without a list of annotations (JAMS) or notes"),
    "a note that is none": ('{"notes": [3]}', "notes[0] is 3"),
    "a note without pitch": ('{"notes": [{"string": 6, "onset": 0, "offset": 1}]}', "notes[0]: midi is missing"),
    "a true string": ('{"notes": [{"string": true, "onset": 0, "offset": 1, "midi": 40}]}', "string is True"),
    "a huge number": (
        f'{{"notes": [{{"string": 1{"0" * 400}, "onset": 0, "offset": 1, "midi": 4}}]}}',
        "string is 1000",
    ),
    "JAMS without notes": (jams(annotation("0", [], "chord")), "has no annotation of notes"),
    "JAMS without strings": (jams(annotation("", ONE)), "data_source is ; accepted: the string, counted from 0"),
    "JAMS with a seventh string": (jams(annotation("6", ONE)), "data_source is 6"),
    "JAMS with a string twice": (jams(annotation("0", ONE), annotation("0", ONE)), "are both of string 6"),
    "JAMS without data": (jams(annotation("0", None)), "annotations[0].data is None"),
    "JAMS with an odd note": (jams(annotation("0", [{"time": "x"}])), "annotations[0].data[0] is {'time': 'x'}"),
    "JAMS without value": (
        jams(annotation("0", [{"time": 1, "duration": 1}])),
        "annotations[0].data[0]: midi is missing",
    ),
    "half a MIDI file": (b"MThd\x00\x00\x00\x06\x00\x01", "is damaged or no Standard MIDI File"),
}


@pytest.mark.parametrize("name", BAD)
def test_a_bad_file_is_refused_in_one_line_that_names_the_place(tmp_path: Path, name: str) -> None:
    content, words = BAD[name]
    with pytest.raises(InputError) as refused:
        read(tmp_path / "pier.csv", content)
    message = str(refused.value)
    assert words in message
    assert message.startswith(str(tmp_path / "pier.csv"))
    assert "accepted" in message
    assert "\n" not in message


def test_what_is_no_file_is_refused(tmp_path: Path) -> None:
    for path in (tmp_path, tmp_path / "missing.csv", tmp_path / "a\0b"):
        with pytest.raises(InputError, match="cannot be read"):
            load_truth(path, RIG)


STARTS = st.sampled_from([b"", b"MThd", b"{", b'{"notes": [{', b'{"annotations": [', HEAD.encode()])


@given(STARTS, st.binary(max_size=200))
def test_whatever_a_file_holds_it_is_read_or_refused_in_one_line(start: bytes, rest: bytes) -> None:
    with NamedTemporaryFile() as file:
        file.write(start + rest)
        file.flush()
        said = ""
        try:
            assert load_truth(Path(file.name), RIG)
        except InputError as refused:
            said = str(refused)
    assert "\n" not in said


@pytest.mark.parametrize(
    "text",
    [
        "onset_s;offset_s;string;midi\n0,5;0,9;6;40\n1,25;2;5;45,5\n",
        "onset_s\toffset_s\tstring\tmidi\n0.5\t0.9\t6\t40\n1.25\t2\t5\t45.5\n",
        " Onset_S , OFFSET_S, String ,MIDI\n0.5, 0.9, 6, 40\n\n1.25, 2 ,5, 45.5\n",
    ],
)
def test_tables_of_any_country_are_read(tmp_path: Path, text: str) -> None:
    (tmp_path / "notes.csv").write_text(text, "utf-8")
    notes = load_truth(tmp_path / "notes.csv", Rig())
    assert [(n.onset_s, n.offset_s, n.string, n.midi) for n in notes] == [(0.5, 0.9, 6, 40.0), (1.25, 2.0, 5, 45.5)]
