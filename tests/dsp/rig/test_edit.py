"""Changing settings in a rig file without losing anything else in it."""

import tomllib
from pathlib import Path

import pytest

from tests.helpers.places import DATA
from thumbline.dsp.errors import InputError
from thumbline.dsp.rig.edit import NOTE_MARK, edited_text, save_changes
from thumbline.dsp.rig.file import load_rig
from thumbline.dsp.rig.model import Rig

OWN = """\
# The jazz box with the flat-wounds.
[detect]   # by ear
on_db = [  # string 1 first
  -50.0,   # thin
  -51.0, -52.0, -53.0, -54.0,
  -55.0,   # the thick one
]  # enough

[choice]
settle_ms = 3.0  # strums

[mutes]
modules = []
"""


def test_only_the_changed_lines_of_the_demos_rig_differ() -> None:
    before = (DATA / "demo.toml").read_text("utf-8")
    after = edited_text(before, {"detect.on_db": (-50.0,) * 6, "choice.settle_ms": 5.0})
    changed = [pair for pair in zip(before.splitlines(), after.splitlines(), strict=True) if pair[0] != pair[1]]
    assert [line for _, line in changed] == ["on_db = [-50.0, -50.0, -50.0, -50.0, -50.0, -50.0]", "settle_ms = 5.0"]


def test_comments_inside_and_behind_a_list_stay() -> None:
    after = edited_text(OWN, {"detect.on_db": (-40.0, -51.0, -52.0, -53.0, -54.0, -45.5)})
    assert after == OWN.replace("-50.0", "-40.0").replace("-55.0", "-45.5")


def test_line_ends_of_another_system_stay() -> None:
    after = edited_text(OWN.replace("\n", "\r\n"), {"choice.settle_ms": 4.0}, {"choice.settle_ms": "calmer"})
    assert after == OWN.replace("settle_ms = 3.0", f"{NOTE_MARK}calmer\nsettle_ms = 4.0").replace("\n", "\r\n")


def test_a_setting_that_was_left_out_is_added_to_its_section_or_with_it() -> None:
    after = tomllib.loads(edited_text(OWN, {"detect.off_db": (-70.0,) * 6, "bass.interval": -7}))
    assert after == {**tomllib.loads(OWN), "detect": {"on_db": [-50.0, -51.0, -52.0, -53.0, -54.0, -55.0],
                                                      "off_db": [-70.0] * 6}, "bass": {"interval": -7}}  # fmt: skip


def test_a_note_stands_above_its_setting_and_gives_way_to_the_next() -> None:
    once = edited_text(OWN, {"choice.settle_ms": 4.0}, {"choice.settle_ms": "first\nreason"})
    assert f"[choice]\n{NOTE_MARK}first reason\nsettle_ms = 4.0  # strums\n" in once
    twice = edited_text(once, {"choice.settle_ms": 5.0}, {"choice.settle_ms": "second"})
    assert f"[choice]\n{NOTE_MARK}second\nsettle_ms = 5.0  # strums\n" in twice


def test_a_setting_of_the_same_name_in_another_section_is_left_alone() -> None:
    text = "[bass]\nlevel_db = 0.0\n[guitar]\nlevel_db = 0.0\n"
    after = edited_text(text, {"guitar.level_db": -3.0}, {"guitar.level_db": "softer"})
    assert after == f"[bass]\nlevel_db = 0.0\n[guitar]\n{NOTE_MARK}softer\nlevel_db = -3.0\n"


@pytest.mark.parametrize(
    "text", ['detect.on_db = "auto"\n', 'detect = {on_db = "auto"}\n', '[detect]\non_db = "auto"\n']
)
def test_however_the_file_is_laid_out_the_value_arrives(text: str) -> None:
    changed = edited_text(text, {"detect.on_db": (-50.0,) * 6}, {"detect.on_db": "why"})
    assert tomllib.loads(changed) == {"detect": {"on_db": [-50.0] * 6}}


def test_the_file_is_read_back_as_it_was_meant(tmp_path: Path) -> None:
    source, target = tmp_path / "own.toml", tmp_path / "new.toml"
    source.write_text(OWN, "utf-8")
    rig = save_changes(source, target, Rig(), {"choice.shortest_ms": 20.0})
    assert load_rig(target) == rig
    assert (rig.choice.settle_ms, rig.choice.shortest_ms) == (3.0, 20.0)
    assert source.read_text("utf-8") == OWN


def test_without_a_file_the_whole_rig_is_written_with_the_changes(tmp_path: Path) -> None:
    rig = Rig.model_validate({"instrument": {"capo": 2}})
    save_changes(None, tmp_path / "new.toml", rig, {"choice.settle_ms": 8.0}, {"choice.settle_ms": "calmer"})
    assert load_rig(tmp_path / "new.toml").instrument.capo == 2
    assert f"{NOTE_MARK}calmer\nsettle_ms = 8.0\n" in (tmp_path / "new.toml").read_text("utf-8")


@pytest.mark.parametrize(
    ("text", "changes", "complaint"),
    [
        ("[detect\n", {}, "TOML"),
        ("[other]\n", {}, "other"),
        (OWN, {"choice.settle_ms": 500.0}, "settle_ms is 500"),
        (OWN, {"detect.on_db": (-50.0,) * 5}, "detect.on_db"),
        (OWN, {"detect.on_db": "loud"}, "detect.on_db"),
    ],
)
def test_what_cannot_be_is_refused_and_the_file_stays(
    tmp_path: Path, text: str, changes: dict[str, object], complaint: str
) -> None:
    path = tmp_path / "own.toml"
    path.write_text(text, "utf-8")
    with pytest.raises(InputError, match=complaint):
        save_changes(path, path, Rig(), changes)
    assert path.read_text("utf-8") == text


def test_a_list_that_becomes_a_word_is_replaced_as_a_whole() -> None:
    text = edited_text("[detect]\non_db = [-40.0, -41.0]\n", {"detect.on_db": "auto"})
    assert 'on_db = "auto"' in text


def test_rows_of_a_matrix_are_replaced_as_a_whole() -> None:
    rows = [[1.0, 0.1], [0.2, 1.0]]
    text = edited_text("[bleed]\nmatrix = [[1.0, 0.0], [0.0, 1.0]]\n", {"bleed.matrix": rows})
    assert tomllib.loads(text) == {"bleed": {"matrix": rows}}


@pytest.mark.parametrize("text", ["[choice]\n# calm\nhold_ms = 30.0\n", "choice = { hold_ms = 30.0 }\n"])
def test_a_former_key_that_changes_gets_its_name_of_today(text: str) -> None:
    changed = edited_text(text, {"choice.shortest_ms": 20.0})
    assert tomllib.loads(changed) == {"choice": {"shortest_ms": 20.0}}
    assert ("# calm\nshortest_ms" in changed) == ("# calm" in text)
    assert edited_text(text, {"choice.settle_ms": 1.0}) != text
    assert tomllib.loads(edited_text(text, {"choice.settle_ms": 1.0}))["choice"]["shortest_ms"] == 30.0
