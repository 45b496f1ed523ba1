"""`thumbline rig`: a rig written, checked and explained at the terminal."""

import tomllib
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from thumbline.cli.commands.rig import rig
from thumbline.dsp.errors import InputError
from thumbline.dsp.rig.catalogue import all_settings
from thumbline.dsp.rig.file import load_rig, rig_from_dict
from thumbline.dsp.rig.model import Rig


def run(*arguments: str | Path) -> Result:
    return CliRunner().invoke(rig, [str(argument) for argument in arguments], catch_exceptions=False)


def test_a_new_rig_goes_to_the_screen_and_is_the_default() -> None:
    for arguments in (["new"], ["new", "-"]):
        result = run(*arguments)
        assert result.exit_code == 0
        assert rig_from_dict(tomllib.loads(result.stdout)) == Rig()


def test_a_new_rig_is_written_to_a_file_and_says_so(tmp_path: Path) -> None:
    path = tmp_path / "rig.toml"
    result = run("new", path)
    assert result.exit_code == 0
    assert str(path) in result.stdout
    assert load_rig(path) == Rig()


@pytest.mark.parametrize("strings", ["E4 B3 G3 D3 A2 E2 B1", "E4,B3,G3,D3,A2,E2,B1", " E4, B3, G3 D3 A2 E2 B1 "])
def test_a_new_rig_can_have_other_strings(tmp_path: Path, strings: str) -> None:
    assert run("new", tmp_path / "rig.toml", "--strings", strings).exit_code == 0
    loaded = load_rig(tmp_path / "rig.toml")
    assert loaded.instrument.strings == ("E4", "B3", "G3", "D3", "A2", "E2", "B1")
    assert loaded.input.channels == (1, 2, 3, 4, 5, 6, 7)


def test_a_rig_that_exists_is_replaced_only_by_force(tmp_path: Path) -> None:
    path = tmp_path / "rig.toml"
    path.write_text("mine")
    with pytest.raises(InputError, match="exists already; accepted: another name, or --force"):
        run("new", path)
    assert path.read_text() == "mine"
    assert run("new", path, "--force").exit_code == 0
    assert load_rig(path) == Rig()


def test_strings_that_are_none_write_nothing(tmp_path: Path) -> None:
    path = tmp_path / "rig.toml"
    for strings, message in [("E4 B3 X3 D3", r'instrument\.strings\[2\] is "X3"'), ("", "a list of 4 to 10")]:
        with pytest.raises(InputError, match=f"^--strings: .*{message}"):
            run("new", path, "--strings", strings)
    assert not path.exists()


def test_a_good_rig_is_shown_string_by_string(tmp_path: Path) -> None:
    path = tmp_path / "rig.toml"
    path.write_text(
        "[instrument]\ncapo = 2\n[input]\nchannels = [6, 5, 4, 3, 2, 1]\n[choice]\nstrings = [5, 6]\n"
        "[detect]\non_db = [-40, -40, -40, -40, -40, -41.5]\n"
        "[[mutes.modules]]\nname = '[b]low[/b]'\nchannel = 4\n"
    )
    result = run("check", path)
    assert result.exit_code == 0
    rows = [line.split() for line in result.stdout.splitlines()]
    assert ["1", "F#4", "369.99", "6", "-40.0", "auto", "no"] in rows
    assert ["6", "F#2", "92.50", "1", "-41.5", "auto", "yes"] in rows
    assert "[b]low[/b]: MIDI channel 4, controllers 102 103 104 105 106 107, unmuted 0, muted 127" in result.stdout
    assert result.stdout.splitlines()[-1] == f"{path}: no problems found"


def test_a_bad_rig_is_refused_with_its_name(tmp_path: Path) -> None:
    path = tmp_path / "rig.toml"
    path.write_text("[detect]\non_dbs = 3\n")
    with pytest.raises(InputError, match=r"rig\.toml: detect\.on_dbs is not a setting; did you mean detect\.on_db\?"):
        run("check", path)
    with pytest.raises(InputError, match=r"none\.toml: cannot be read"):
        run("check", tmp_path / "none.toml")


def test_settings_and_sections_are_explained() -> None:
    result = run("explain", "detect.on_db", "choice")
    assert result.exit_code == 0
    assert "A string must be louder than this to begin to sound" in result.stdout
    assert "choice.settle_ms" in result.stdout
    with pytest.raises(InputError, match=r"did you mean detect\.on_db"):
        run("explain", "detect.ondb")


def test_without_a_key_all_settings_are_listed() -> None:
    words = run("explain").stdout.split()
    assert [key for key in all_settings() if key in words] == list(all_settings())


def test_every_subcommand_has_help() -> None:
    for name in rig.commands:
        result = run(name, "--help")
        assert result.exit_code == 0
        assert "Usage: " in result.stdout


def test_bad_usage_ends_with_2() -> None:
    assert run("check").exit_code == 2
    assert run("polish").exit_code == 2
