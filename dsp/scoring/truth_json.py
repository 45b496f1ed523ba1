"""Truth from JSON: JAMS, or what lies beside a made-up take.

JAMS is the annotation format of music information retrieval: E. J. Humphrey, J. Salamon, O. Nieto, J. Forsyth,
R. M. Bittner and J. P. Bello, "JAMS: A JSON Annotated Music Specification for Reproducible MIR Research", ISMIR 2014.
Read are annotations in the namespaces ``note_midi`` and ``note_hz``, one per string. Which string an annotation belongs
to stands in ``annotation_metadata.data_source``, counted from 0, the lowest, as in GuitarSet (Q. Xi, R. M. Bittner,
J. Pauwels, X. Ye and J. P. Bello, "GuitarSet: A Dataset for Guitar Transcription", ISMIR 2018).
"""

import json
from collections.abc import Iterator, Mapping
from typing import Any

from thumbline.dsp.errors import InputError
from thumbline.dsp.rig.model import Rig
from thumbline.dsp.scoring.truth_entry import ACCEPTED, LATEST_S, Entry, shown

#: What a namespace's values are; the first that a file has is read.
PITCH_OF_NAMESPACE = {"note_midi": "midi", "note_hz": "hz"}


def json_entries(text: str, rig: Rig, name: str) -> Iterator[Entry]:
    """Return the notes of a JSON file. Raises InputError if it is not JSON, or of an unknown kind."""
    try:
        root = json.loads(text)
    except (ValueError, RecursionError) as error:
        raise InputError(f"{name}: is not JSON ({' '.join(str(error).split())}); accepted: {ACCEPTED}") from None
    if isinstance(root, dict) and isinstance(root.get("annotations"), list):
        yield from _annotations(root["annotations"], rig, name)
    elif isinstance(root, dict) and isinstance(root.get("notes"), list):
        yield from _notes(root["notes"], name)
    else:
        raise InputError(f"{name}: is JSON without a list of annotations (JAMS) or notes; accepted: {ACCEPTED}")


def _notes(rows: list[Any], name: str) -> Iterator[Entry]:
    keys = {"onset": "onset_s", "offset": "offset_s", "fades": "fades_s", "faded": "faded_s"}
    for index, row in enumerate(rows):
        place = f"notes[{index}]"
        if not isinstance(row, dict):
            raise InputError(f"{name}: {place} is {shown(row)}; accepted: a note with string, onset, offset and midi")
        yield Entry(place, {keys.get(str(key), str(key)): value for key, value in row.items() if value is not None})


def _annotations(annotations: list[Any], rig: Rig, name: str) -> Iterator[Entry]:
    by_namespace: dict[str, list[tuple[int, dict[str, Any]]]] = {}
    for index, annotation in enumerate(annotations):
        if isinstance(annotation, dict) and isinstance(annotation.get("namespace"), str):
            by_namespace.setdefault(annotation["namespace"], []).append((index, annotation))
    namespace = next((each for each in PITCH_OF_NAMESPACE if each in by_namespace), None)
    if namespace is None:
        accepted = "accepted: JAMS with note_midi or note_hz, one per string"
        raise InputError(f"{name}: has no annotation of notes; {accepted}")
    seen: dict[int, int] = {}
    for index, annotation in by_namespace[namespace]:
        place = f"annotations[{index}]"
        string = _string(annotation, rig, f"{name}: {place}")
        if string in seen:
            both = f"annotations[{seen[string]}] and {place}"
            raise InputError(f"{name}: {both} are both of string {string}; accepted: one annotation a string")
        seen[string] = index
        for number, observation in enumerate(_observations(annotation.get("data"), f"{name}: {place}")):
            yield _entry(observation, string, PITCH_OF_NAMESPACE[namespace], f"{place}.data[{number}]", name)


def _string(annotation: Mapping[str, Any], rig: Rig, place: str) -> int:
    metadata = annotation.get("annotation_metadata")
    source = metadata.get("data_source") if isinstance(metadata, dict) else None
    text = str(source).strip()
    if not (text.isascii() and text.isdigit() and len(text) < 3 and int(text) < rig.string_count):
        raise InputError(
            f"{place}.annotation_metadata.data_source is {shown(source)}; accepted: the string, counted from 0, "
            f"the lowest, to {rig.string_count - 1}"
        )
    return rig.string_count - int(text)


def _observations(data: Any, place: str) -> Iterator[Any]:
    """Return the observations of either way JAMS has to write them: a list of them, or a list for each field."""
    if isinstance(data, list):
        yield from data
    elif isinstance(data, dict) and all(isinstance(data.get(key), list) for key in ("time", "duration", "value")):
        for time, duration, value in zip(data["time"], data["duration"], data["value"], strict=False):
            yield {"time": time, "duration": duration, "value": value}
    else:
        raise InputError(f"{place}.data is {shown(data)}; accepted: observations with time, duration and value")


def _entry(observation: Any, string: int, pitch: str, place: str, name: str) -> Entry:
    fields = observation if isinstance(observation, dict) else {}
    time, duration = (_seconds(fields.get(key)) for key in ("time", "duration"))
    if time is None or duration is None:
        raise InputError(f"{name}: {place} is {shown(observation)}; accepted: a time and a duration from 0 and a value")
    values = {"string": string, "onset_s": time, "offset_s": time + duration, pitch: fields.get("value")}
    return Entry(place, {key: value for key, value in values.items() if value is not None})


def _seconds(value: Any) -> float | None:
    good = isinstance(value, int | float) and not isinstance(value, bool) and 0 <= value <= LATEST_S
    return float(value) if good else None
