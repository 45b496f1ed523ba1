"""Saving what was tuned."""

from pathlib import Path

import pytest

from tests.helpers.places import DATA
from tests.material.benches import demo_bench, demo_rig
from thumbline.dsp.errors import InputError
from thumbline.dsp.notebook.save_tuned import save_tuned, tuned_name
from thumbline.dsp.rig.file import load_rig


def comments(path: Path) -> list[str]:
    return [line for line in path.read_text("utf-8").splitlines() if "#" in line]


def test_a_new_file_is_the_old_one_with_the_tuned_settings_and_says_what_they_were(tmp_path: Path) -> None:
    target, rig = tmp_path / "tuned.toml", demo_rig(on_db=3.0)
    changed = save_tuned(target, rig, demo_bench().rig, DATA / "demo.toml", "tuned")
    assert list(changed) == ["detect.on_db"]
    assert load_rig(target) == rig
    added = "# Changed by hand: tuned; it was [-54.61, -53.22, -52.16, -53.03, -52.26, -52.33]"
    assert sorted(comments(target)) == sorted([*comments(DATA / "demo.toml"), added])


def test_a_file_that_is_there_keeps_what_else_is_in_it(tmp_path: Path) -> None:
    target = tmp_path / "stage.toml"
    target.write_text('# stage\n[detect]\noff_db = "auto"  # leave it\n[bass]\ninterval = -7\n', "utf-8")
    save_tuned(target, demo_rig(on_db=3.0), demo_bench().rig, DATA / "demo.toml", "tuned")
    saved = load_rig(target)
    assert (saved.bass.interval, saved.detect.off_db) == (-7, "auto")
    assert saved.detect.on_db == demo_rig(on_db=3.0).detect.on_db
    assert comments(target)[0] == "# stage"
    assert 'off_db = "auto"  # leave it' in comments(target)


def test_saving_again_after_going_back_takes_the_first_save_back(tmp_path: Path) -> None:
    target, loaded = tmp_path / "tuned.toml", demo_bench().rig
    save_tuned(target, demo_rig(on_db=3.0), loaded, DATA / "demo.toml", "tuned")
    assert list(save_tuned(target, loaded, loaded, DATA / "demo.toml", "tuned")) == ["detect.on_db"]
    assert load_rig(target) == loaded
    assert save_tuned(target, loaded, loaded, DATA / "demo.toml", "tuned") == {}


@pytest.mark.parametrize("text", ["no rig at all", '[instrument]\nstrings = ["E4", "B3", "G3", "D3"]\n'])
def test_a_file_that_does_not_take_the_settings_is_left_as_it_is(tmp_path: Path, text: str) -> None:
    target = tmp_path / "other.toml"
    target.write_text(text, "utf-8")
    with pytest.raises(InputError, match=r"other\.toml"):
        save_tuned(target, demo_rig(on_db=3.0), demo_bench().rig, None, "tuned")
    assert target.read_text("utf-8") == text


def test_the_name_is_one_of_its_own_beside_the_rig_or_the_take() -> None:
    assert tuned_name(Path("a/take.wav"), Path("b/guitar.toml")) == Path("b/guitar-tuned.toml")
    assert tuned_name(Path("a/take.wav"), None) == Path("a/take-tuned.toml")
