"""Set files: the songs of an evening on one guitar."""

from pathlib import Path

import pytest

from thumbline.dsp.errors import InputError
from thumbline.dsp.rig.set_file import load_set

TWO = """
base = "rig.toml"
[[songs]]
name = "Slack Water"
[songs.bass]
interval = -24
[[songs]]
name = "Lantern Walk"
choice = { rule = "lowest pitch" }
"""


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / "rig.toml").write_text("[instrument]\ncapo = 2\n[bass]\ntone_hz = 900\n[[feet]]\nnumber = 64\n")
    return tmp_path


def written(folder: Path, text: str) -> Path:
    path = folder / "set.toml"
    path.write_text(text, encoding="utf-8")
    return path


def refusal(folder: Path, text: str) -> str:
    path = written(folder, text)
    with pytest.raises(InputError) as caught:
        load_set(path)
    message = str(caught.value)
    assert message.isprintable()
    assert message.startswith(f"{path}: ")
    return message.removeprefix(f"{path}: ")


def test_each_song_is_the_base_with_its_own_changes(folder: Path) -> None:
    first, second = load_set(written(folder, TWO))
    assert (first.name, second.name) == ("Slack Water", "Lantern Walk")
    assert (first.rig.bass.interval, second.rig.bass.interval) == (-24, -12)
    assert second.rig.choice.rule == "lowest pitch"
    assert all(
        rig.bass.tone_hz == 900 and rig.instrument.capo == 2 and len(rig.feet) == 1 for _, rig in (first, second)
    )


def test_a_song_may_have_a_rig_of_its_own(folder: Path) -> None:
    (folder / "own.toml").write_text("[bass]\nvoice = 'synth'\n[[feet]]\nnumber = 64\n")
    songs = load_set(written(folder, TWO + '[[songs]]\nname = "Ferry"\nrig = "own.toml"\n'))
    assert songs[2].rig.bass.voice == "synth"
    assert songs[2].rig.bass.tone_hz == 3000


def test_without_a_base_the_default_rig_is_changed(tmp_path: Path) -> None:
    (song,) = load_set(written(tmp_path, "[[songs]]\nname = 'A'\nbass.dynamics = 0.5\n"))
    assert song.rig.bass.dynamics == 0.5


def test_the_base_is_looked_for_beside_the_set_file(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = written(folder, TWO)
    monkeypatch.chdir("/")
    assert len(load_set(path)) == 2


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("", "has 0 songs; accepted: 1 to 32, each under [[songs]]"),
        ("songs = 3", "has 0 songs; accepted: 1 to 32"),
        ("songs = [3]", "songs[0] is 3; accepted: a table with a name"),
        ("song = 1\n", '"song" is not known; accepted: base, songs'),
        ("base = 3\n", "base is 3; accepted: the name of a rig file"),
        ("[[songs]]\n", "songs[0].name is missing; accepted: a name of 1 to 64 bytes in one line"),
        ("[[songs]]\nname = ' '\n", 'songs[0].name is " "; accepted'),
        (f"[[songs]]\nname = '{'ü' * 33}'\n", "songs[0].name is"),
        ("[[songs]]\nname = 'A'\n[[songs]]\nname = 'A'\n", 'songs[1].name is "A" again; accepted: each once'),
        ("[[songs]]\nname = 'A'\nrig = 3\n", "songs[0].rig is 3; accepted"),
        (
            "[[songs]]\nname = 'A'\nrig = 'a.toml'\nbass = {}\n",
            "songs[0] has a rig of its own and bass; accepted",
        ),
        ("[[songs]]\nname = 'A'\nbas.interval = 3\n", "A: bas is not a setting; did you mean bass?"),
        ("[[songs]]\nname = 'A'\nbass.interval = 3\n", "A: bass.interval is 3; accepted: a whole number, -24 to 0"),
        (TWO + "midi.port = 'x'\n", 'midi of "Lantern Walk" differs from that of "Slack Water"; accepted: the same'),
        (TWO + "instrument.strings = ['E4', 'B3', 'G3', 'D3']\n", '"Lantern Walk" has 4 strings; accepted: 6'),
        ("a = = 1", "Invalid value (at line 1, column 5); accepted: TOML 1.0"),
        ("[[songs]]\nname = 'A'\n" * 33, "has 33 songs"),
    ],
)
def test_a_set_that_cannot_be_is_refused_in_one_line(folder: Path, text: str, message: str) -> None:
    assert refusal(folder, text).startswith(message)


def test_what_cannot_be_read_is_named(tmp_path: Path) -> None:
    with pytest.raises(InputError, match=r"none\.toml: cannot be read"):
        load_set(tmp_path / "none.toml")
    with pytest.raises(InputError, match=r"gone\.toml: cannot be read"):
        load_set(written(tmp_path, "base = 'gone.toml'\n"))
    (tmp_path / "latin.toml").write_bytes(b"# \xff")
    with pytest.raises(InputError, match="byte 2 is not UTF-8"):
        load_set(tmp_path / "latin.toml")


def test_sets_in_former_words_are_read_as_those_of_today(tmp_path: Path) -> None:
    (tmp_path / "rig.toml").write_text('[choice]\nshortest_ms = 80\n[mutes]\norder = "close first"\n')
    former = 'base = "rig.toml"\n[[settings]]\nname = "A"\nchoice = { hold_ms = 30, silence = "open all" }\n'
    (song,) = load_set(written(tmp_path, former))
    assert (song.rig.choice.shortest_ms, song.rig.choice.silence, song.rig.mutes.order) == (
        30.0,
        "unmute all",
        "mute first",
    )
    both = "[[settings]]\nname = 'A'\n[[songs]]\nname = 'B'\n"
    with pytest.raises(InputError, match='"settings" is not known; accepted: base, songs'):
        load_set(written(tmp_path, both))
