"""Rig files: read, written, explained, and never lost."""

import tomllib
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from thumbline.dsp.errors import InputError
from thumbline.dsp.rig.catalogue import TABLES, all_settings
from thumbline.dsp.rig.file import default_rig, load_rig, rig_from_dict, rig_text, write_rig
from thumbline.dsp.rig.model import Foot, Rig


def numbers(low: float, high: float) -> st.SearchStrategy[float]:
    return st.floats(low, high) | st.integers(int(low), int(high))


@st.composite
def rigs(draw: st.DrawFn) -> Rig:
    """Any rig that is accepted: every key set, or left to its default."""
    count = draw(st.integers(4, 10))

    def each(values: st.SearchStrategy[Any]) -> st.SearchStrategy[list[Any]]:
        return st.lists(values, min_size=count, max_size=count)

    def some_of(**keys: st.SearchStrategy[Any]) -> dict[str, Any]:
        return draw(st.fixed_dictionaries({}, optional=keys))

    numbered = st.permutations(range(1, count + 1))
    off_db = draw(st.just("auto") | each(st.floats(-160, -80)))
    bleed = draw(each(each(st.floats(-0.09, 0.09))))
    matrix = [[1.0 if i == j else value for j, value in enumerate(row)] for i, row in enumerate(bleed)]
    channels = draw(st.lists(st.integers(1, 16), max_size=3, unique=True))
    controllers = st.lists(st.integers(0, 119), min_size=count, max_size=count, unique=True)
    name = st.text(max_size=60).filter(lambda text: text.isprintable() and bool(text.strip()))
    device = st.just("") | name
    outputs = st.lists(st.integers(1, 64), min_size=1, max_size=4, unique=True)
    feet = st.fixed_dictionaries(
        {"action": st.sampled_from(["split", "hold", "unmute all"]), "number": st.integers(0, 119)},
        optional={"message": st.sampled_from(["control change", "note"]), "behaviour": st.just("latching")},
    ) | st.fixed_dictionaries(
        {"action": st.just("bass level"), "number": st.integers(0, 119)},
        optional={"low": numbers(-60, 12), "high": numbers(-60, 12), "channel": st.integers(1, 16)},
    )
    values = st.lists(st.integers(0, 127), min_size=2, max_size=2, unique=True)
    modules = []
    for channel in channels:
        unmuted_value, muted_value = draw(values)
        modules.append(
            some_of(name=name, controllers=controllers)
            | {"channel": channel, "unmuted_value": unmuted_value, "muted_value": muted_value}
        )
    return rig_from_dict(
        {
            "instrument": {"strings": draw(each(st.sampled_from(["E4", "f#1", "Bb2", "A0", "E5"])))}
            | some_of(a4_hz=numbers(400, 480), capo=st.integers(0, 12), frets=st.integers(12, 36)),
            "input": some_of(
                channels=st.permutations(range(1, count + 1)),
                trim_db=each(numbers(-24, 24)),
                invert=numbered,
                mains_hz=st.sampled_from(["auto", "off"]) | numbers(45, 65),
            ),
            "detect": some_of(floor_db=each(numbers(-160, 0)), level_db=each(numbers(-160, 0)))
            | some_of(on_db=each(numbers(-79, 0)), tuning_cents=each(numbers(-1200, 1200)))
            | {"off_db": off_db},
            "bleed": some_of(matrix=st.sampled_from(["auto", "off", matrix])),
            "choice": some_of(
                rule=st.sampled_from(["lowest string", "lowest pitch", "last plucked"]),
                strings=st.just("all") | numbered,
                highest_note=st.sampled_from(["any", "C9", "Bb8"]),
                proof_ms=numbers(0, 60),
                settle_ms=numbers(0, 100),
                shortest_ms=numbers(0, 1000),
                silence=st.sampled_from(["keep", "unmute all", "mute all"]),
            ),
            "bass": some_of(interval=st.integers(-24, 0), tone_hz=numbers(80, 20000), dynamics=numbers(0, 1)),
            "guitar": some_of(stereo=st.booleans(), pan=each(numbers(-1, 1)), level_db=numbers(-60, 12)),
            "mutes": some_of(order=st.sampled_from(["unmute first", "mute first", "gap"]), modules=st.just(modules)),
            "output": some_of(ceiling_db=numbers(-24, 0)),
            "live": some_of(input=device, output=device, sample_rate=st.integers(22050, 192000), bass_outputs=outputs),
            "midi": some_of(
                port=device, resend_s=numbers(0, 60), bass_notes=st.booleans(), bend_range=st.integers(2, 24)
            ),
            "feet": draw(st.lists(feet, max_size=4, unique_by=lambda foot: foot["number"])),
        }
    )


@given(rigs())
@settings(max_examples=60, deadline=None)
def test_writing_a_rig_and_reading_it_back_gives_the_same_rig(rig: Rig) -> None:
    assert rig_from_dict(tomllib.loads(rig_text(rig))) == rig


@given(st.text(max_size=300))
@settings(max_examples=60, deadline=None)
def test_no_reason_can_break_the_file(reason: str) -> None:
    assert rig_from_dict(tomllib.loads(rig_text(Rig(), {"detect.on_db": reason}))) == Rig()


def test_the_text_holds_every_key_in_order_each_with_its_meaning_range_and_default() -> None:
    text = rig_text(Rig())
    assert rig_from_dict(tomllib.loads(text)) == Rig()
    flat = " ".join(line.removeprefix("# ") for line in text.splitlines())
    place = 0
    for setting in all_settings().values():
        place = flat.index(setting.meaning, place)
        if setting.key not in TABLES:
            place = flat.index(f"Accepted: {setting.accepted}. Default: ", place)
            place = flat.index(f" {setting.key.rpartition('.')[2]} = ", place)
    assert max(len(line) for line in text.splitlines()) <= 100


def test_the_text_can_be_read_by_any_toml_reader_as_plain_values() -> None:
    table = tomllib.loads(rig_text(Rig()))
    assert table["instrument"]["strings"] == ["E4", "B3", "G3", "D3", "A2", "E2"]
    assert table["mutes"]["modules"][0]["controllers"] == [102, 103, 104, 105, 106, 107]


def test_a_bleed_matrix_is_written_a_row_a_line() -> None:
    matrix = [[1.0 if i == j else 0.05 for j in range(4)] for i in range(4)]
    rig = rig_from_dict({"instrument": {"strings": ["E2"] * 4}, "bleed": {"matrix": matrix}})
    assert "matrix = [\n  [1.0, 0.05, 0.05, 0.05],\n  [0.05, 1.0, 0.05, 0.05],\n" in rig_text(rig)


def test_a_reason_stands_right_above_its_value() -> None:
    rig = rig_from_dict({"mutes": {"modules": [{}, {"channel": 2}]}})
    text = rig_text(rig, {"detect.on_db": "12 dB above\nthe floor", "mutes.modules[1].channel": "second part"})
    assert '# Reason: 12 dB above the floor\non_db = "auto"\n' in text
    assert "# Reason: second part\nchannel = 2\n" in text


def test_a_rig_without_feet_shows_one_as_an_example_that_holds_once_it_is_uncommented() -> None:
    text = rig_text(Rig())
    before, _, example = text.partition("\n# [[feet]]\n")
    assert "There is none. This is what one looks like" in before
    settings = [
        line for line in example.splitlines() if line.startswith(tuple(f"# {key} = " for key in Foot.model_fields))
    ]
    table = tomllib.loads("\n".join(["[[feet]]", *(line.removeprefix("# ") for line in settings)]))
    assert list(table["feet"][0]) == list(Foot.model_fields)
    assert rig_from_dict(table).feet == (Foot(),)


def test_each_foot_switch_stands_in_a_table_of_its_own_and_the_first_is_explained() -> None:
    rig = rig_from_dict({"feet": [{"number": 64}, {"action": "bass level", "number": 11, "low": -20}]})
    text = rig_text(rig)
    assert text.count("\n[[feet]]\n") == 2
    assert text.count("The kind of MIDI message") == 1
    assert rig_from_dict(tomllib.loads(text)) == rig


@pytest.mark.parametrize("key", ["detect.loud", "mutes.modules[1].channel", "detect"])
def test_a_reason_for_what_is_not_in_the_rig_is_an_error(key: str) -> None:
    with pytest.raises(KeyError, match="keys that this rig lacks"):
        rig_text(Rig(), {key: "because"})


def test_the_default_shown_fits_the_number_of_strings() -> None:
    rig = rig_from_dict({"instrument": {"strings": ["E2"] * 4}, "input": {"channels": [4, 3, 2, 1]}})
    assert "Default: [1, 2, 3, 4].\nchannels = [4, 3, 2, 1]" in rig_text(rig)
    assert default_rig(rig).instrument == rig.instrument
    assert default_rig(rig).input.channels == (1, 2, 3, 4)


def test_a_written_rig_is_read_back(tmp_path: Path) -> None:
    rig = rig_from_dict({"choice": {"rule": "lowest pitch"}, "mutes": {"modules": [{"name": 'Kontrabaß \\ "x"'}]}})
    write_rig(tmp_path / "rig.toml", rig_text(rig))
    assert load_rig(tmp_path / "rig.toml") == rig
    assert [path.name for path in tmp_path.iterdir()] == ["rig.toml"]


@pytest.mark.parametrize("content", [b"", b"\xef\xbb\xbf[instrument]\r\ncapo = 0\r\n", b"# nothing set\n"])
def test_empty_files_byte_order_marks_and_windows_line_ends_are_fine(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "rig.toml"
    path.write_bytes(content)
    assert load_rig(path) == Rig()


@pytest.mark.parametrize(
    ("content", "message"),
    [
        (b"[instrument]\ncapo = = 2\n", r"at line 2, column 8\); accepted: TOML 1\.0"),
        (b"[input]\na = 1\na = 2\n", r"at line 3.*; accepted: TOML 1\.0"),
        (b"[input]\n# \xff\n", r"byte 10 is not UTF-8; accepted: TOML text in UTF-8"),
        (b"a = " + b"[" * 100_000, r"accepted: TOML 1\.0"),
        (b"a = " + b"1" * 5000, r"accepted: TOML 1\.0"),
        (b"\x00", r"accepted: TOML 1\.0"),
        (b"[detect]\non_db = nan\n", r'detect\.on_db is NaN; accepted: "auto" or one per string'),
        (
            b"[input]\nmains_hz = 2020-02-02\n",
            r'input\.mains_hz is "2020-02-02"; accepted: "auto" or "off" or 45 to 65',
        ),
    ],
)
def test_a_file_that_is_no_rig_is_refused_in_one_line_that_names_it(
    tmp_path: Path, content: bytes, message: str
) -> None:
    path = tmp_path / "rig.toml"
    path.write_bytes(content)
    with pytest.raises(InputError, match=message) as caught:
        load_rig(path)
    assert str(caught.value).startswith(f"{path}: ")
    assert str(caught.value).isprintable()


def test_a_rig_that_is_missing_or_a_folder_cannot_be_read(tmp_path: Path) -> None:
    with pytest.raises(InputError, match=r"nowhere\.toml: cannot be read \(No such file or directory\)"):
        load_rig(tmp_path / "nowhere.toml")
    with pytest.raises(InputError, match=r"cannot be read \(Is a directory\)"):
        load_rig(tmp_path)
    with pytest.raises(InputError, match="accepted"):
        load_rig("rig\0.toml")
