"""Files that the program did not make are never replaced: the player's own, other takes, the take itself."""

import json
import shutil
import threading
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import soundfile

from tests.cli.devices.test_guide import RATE as GUIDED_RATE
from tests.cli.devices.test_guide import TAKE as GUIDED_TAKE
from tests.helpers.places import OPEN_STRINGS
from tests.material.short_take import RATE, short_take
from thumbline.dsp.errors import InputError
from thumbline.dsp.files.digests import file_digest
from thumbline.dsp.files.made_files import RENDERED_FILES, made_in, write_summary
from thumbline.dsp.files.outputs import OutputFolder
from thumbline.dsp.practice.index import read_index
from thumbline.dsp.practice.practice_set import make_practice_set
from thumbline.dsp.practice.settings import PracticeSettings
from thumbline.dsp.rig.file import load_rig
from thumbline.dsp.rig.model import Rig

Run = Callable[..., tuple[int, str, str]]


def tree(folder: Path) -> dict[str, bytes]:
    return {str(path.relative_to(folder)): path.read_bytes() for path in folder.rglob("*") if path.is_file()}


def refused(run: Run, folder: Path, *arguments: str | Path) -> str:
    """The command is refused in one line, and every file in ``folder`` stays as it is."""
    before = tree(folder)
    code, out, err = run(*arguments)
    assert (code, out) == (2, ""), err
    assert err.count("\n") == 1
    assert tree(folder) == before
    return err


# --- render and practice ---


@pytest.mark.parametrize("name", RENDERED_FILES)
def test_render_refuses_a_folder_that_holds_a_file_of_the_players_where_one_of_its_own_would_go(
    run: Run, tmp_path: Path, take: Path, name: str
) -> None:
    (tmp_path / take.stem).mkdir()
    (tmp_path / take.stem / name).write_text("mine")
    (tmp_path / take.stem / name).chmod(0o444)
    err = refused(run, tmp_path, "render", take, "--out", tmp_path)
    assert f"{take.stem}/{name}" in err
    assert "was not made by thumbline" in err


@pytest.mark.parametrize("name", ["bass.mid", "tablature.txt", "index.json", "bass-100.flac", "loop-bars-1-2.flac"])
def test_practice_refuses_such_a_folder_too(run: Run, tmp_path: Path, take: Path, name: str) -> None:
    (tmp_path / take.stem).mkdir()
    (tmp_path / take.stem / name).write_text("mine")
    loop = ("--loop", "bars 1-2") if name.startswith("loop") else ()
    settings = ("--speeds", "100", "--bpm", "200", "--first-bar", "0", *loop)
    before = tree(tmp_path)
    code, _, err = run("practice", take, "--out", tmp_path, *settings)
    if code == 0:  # the loop has another name
        assert {each: content for each, content in tree(tmp_path).items() if each in before} == before
    else:
        assert "was not made by thumbline" in err
        assert tree(tmp_path) == before


@pytest.mark.parametrize(
    "names",
    [("a", "b", "bass", "d", "e", "guitar"), ("1", "2", "3", "4", "5", "6"), ("E", "x1", "x2", "x3", "x4", "x5")],
)
@pytest.mark.parametrize("command", ["render", "practice"])
def test_a_take_of_mono_files_is_never_the_folder_of_its_result(
    run: Run, tmp_path: Path, names: tuple[str, ...], command: str
) -> None:
    gig = tmp_path / "gig"
    gig.mkdir()
    for name, channel in zip(names, short_take().T, strict=True):
        soundfile.write(gig / f"{name}.wav", channel, RATE, "PCM_24")
    assert "it is the take itself" in refused(run, tmp_path, command, gig, "--out", tmp_path)
    soundfile.write(tmp_path / "gig.wav", short_take(), RATE, "PCM_24")  # its mixdown, beside it
    assert "6 sound files, as a take does" in refused(run, tmp_path, command, tmp_path / "gig.wav", "--out", tmp_path)


def test_a_take_in_the_folder_of_its_result_is_never_replaced(run: Run, tmp_path: Path, result: Path) -> None:
    """Not even in a folder whose other files the program made."""
    folder = tmp_path / "guitar"
    shutil.copytree(result, folder)
    soundfile.write(folder / "guitar.wav", short_take(), RATE, "PCM_24")
    err = refused(run, tmp_path, "render", folder / "guitar.wav", "--out", tmp_path)
    assert "belongs to the take itself" in err
    (folder / "bass.wav").unlink()
    (folder / "bass.wav").hardlink_to(folder / "guitar.wav")
    (folder / "guitar.wav").rename(tmp_path / "guitar.wav")
    assert "belongs to the take" in refused(run, tmp_path, "render", tmp_path / "guitar.wav", "--out", tmp_path)


def test_a_second_render_replaces_the_first_and_keeps_what_was_changed_under_another_name(
    run: Run, tmp_path: Path, take: Path
) -> None:
    for _ in range(2):
        assert run("render", take, "--out", tmp_path)[0] == 0
    folder = tmp_path / take.stem
    assert {path.name for path in folder.iterdir()} == set(RENDERED_FILES)
    for number, kept in enumerate(("notes (changed).csv", "notes (changed 2).csv")):
        (folder / "notes.csv").write_text(f"corrected by hand {number}")
        code, _, err = run("render", take, "--out", tmp_path)
        assert code == 0
        assert kept in err
        assert (folder / kept).read_text() == f"corrected by hand {number}"
    assert {path.name for path in folder.iterdir()} == {*RENDERED_FILES, "notes (changed).csv", "notes (changed 2).csv"}


def test_what_render_and_practice_made_in_one_folder_each_replaces(run: Run, tmp_path: Path, take: Path) -> None:
    for _ in range(2):
        assert run("render", take, "--out", tmp_path)[0] == 0
        assert run("practice", take, "--out", tmp_path, "--speeds", "100")[0] == 0
    assert not list((tmp_path / take.stem).glob("*(changed*"))


def test_a_summary_of_another_program_is_no_mark(tmp_path: Path) -> None:
    for text in ("", "[]", "{}", '{"take": 1}', '{"files": {"bass.wav": {"bytes": 1, "digest": "x"}}}', "[" * 100_000):
        (tmp_path / "summary.json").write_text(text)
        assert made_in(tmp_path) == {}


def test_a_result_of_an_earlier_version_which_has_no_list_of_its_files_is_replaced(
    run: Run, tmp_path: Path, take: Path, result: Path
) -> None:
    shutil.copytree(result, tmp_path / take.stem)
    summary = json.loads((result / "summary.json").read_text())
    del summary["files"], summary["check"]
    (tmp_path / take.stem / "summary.json").write_text(json.dumps(summary))
    assert run("render", take, "--out", tmp_path)[0] == 0
    assert {path.name for path in (tmp_path / take.stem).iterdir()} == set(RENDERED_FILES)


def test_an_unwanted_practice_track_that_was_changed_stays(tmp_path: Path, take: Path) -> None:
    first = make_practice_set(take, tmp_path, Rig(), PracticeSettings(speeds=(100.0,), mixes=("both",)))
    (first.folder / "both-100.flac").write_text("my own mix")
    make_practice_set(take, tmp_path, Rig(), PracticeSettings(speeds=(100.0,), mixes=("bass-lead",)))
    assert (first.folder / "both-100.flac").read_text() == "my own mix"


# --- two that publish at once ---


def test_of_two_results_published_at_the_same_moment_every_file_is_of_the_same(tmp_path: Path) -> None:
    names = RENDERED_FILES[:-1]
    for number in range(60):
        barrier, raised = threading.Barrier(2), []

        def work(who: str, barrier: threading.Barrier = barrier, raised: list[BaseException] = raised) -> None:
            try:
                with OutputFolder(tmp_path, "gig") as folder:
                    for name in names:
                        (folder.path / name).write_text(who)
                    write_summary(folder.path, {"take": who, "version": "", "rig": {}, "bass_notes": 0})
                    barrier.wait()
            except BaseException as error:
                raised.append(error)

        both = [threading.Thread(target=work, args=(who,)) for who in ("one", "other")]
        for each in both:
            each.start()
        for each in both:
            each.join()
        assert raised == []
        assert len({(tmp_path / "gig" / name).read_text() for name in names}) == 1, number
        if number % 10 == 9:
            shutil.rmtree(tmp_path / "gig")
    assert not [path for path in tmp_path.iterdir() if path.name.startswith(".")]


def test_two_different_practice_sets_made_at_once_are_one_of_the_two(tmp_path: Path, take: Path) -> None:
    wanted = [PracticeSettings(speeds=(100.0,), transpose=shift) for shift in (0, 2)]
    make_practice_set(take, tmp_path, Rig(), wanted[0])
    threads = [threading.Thread(target=make_practice_set, args=(take, tmp_path, Rig(), each)) for each in wanted]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    index = read_index(tmp_path / take.stem)
    assert index is not None
    for name, entry in index["made_from"]["files"].items():
        assert file_digest(tmp_path / take.stem / name) == entry["digest"], name


# --- single files ---


@pytest.mark.parametrize("content", ["sound", "text", "other TOML", "bytes"])
def test_calibrate_and_refine_replace_nothing_but_a_rig(run: Run, tmp_path: Path, content: str) -> None:
    out = tmp_path / "open.flac"
    contents = {
        "sound": OPEN_STRINGS.read_bytes(),
        "text": b"set list\n",
        "other TOML": b'[project]\nname = "mine"\n',
        "bytes": bytes(range(256)),
    }
    out.write_bytes(contents[content])
    take = out if content == "sound" else OPEN_STRINGS
    for command in (("calibrate", take), ("refine", "--open-strings", take), ("calibrate", "--live", take)):
        assert "is not a rig" in refused(run, tmp_path, *command, "--out", out)


def test_a_picture_replaces_nothing_but_a_picture(run: Run, tmp_path: Path, result: Path) -> None:
    (tmp_path / "take.wav").write_text("mine")
    arguments = ("score", result, result / "notes.csv", "--picture", tmp_path / "take.wav")
    assert "is not a PNG picture" in refused(run, tmp_path, *arguments)


def test_a_recording_of_the_players_is_not_replaced_by_a_guided_take(run: Run, tmp_path: Path) -> None:
    soundfile.write(tmp_path / "gig.wav", np.zeros((10, 6)), 48_000)
    arguments = ("calibrate", "--live", OPEN_STRINGS, "--out", tmp_path / "rig.toml", "--keep", tmp_path / "gig.wav")
    assert "is not a guided take" in refused(run, tmp_path, *arguments)


def test_a_guided_take_replaces_a_former_one_and_follows_no_link_beside_it(run: Run, tmp_path: Path) -> None:
    kept, other = tmp_path / "kept.wav", tmp_path / "other.txt"
    other.write_text("mine")
    (tmp_path / ".kept.wav.part").symlink_to(other)
    take = tmp_path / "open strings.wav"
    soundfile.write(take, GUIDED_TAKE, GUIDED_RATE, "FLOAT")
    for _ in range(2):
        assert run("calibrate", "--live", take, "--out", tmp_path / "rig.toml", "--keep", kept)[0] == 0
    assert other.read_text() == "mine"
    assert (tmp_path / ".kept.wav.part").is_symlink()
    err = refused(run, tmp_path, "calibrate", "--live", kept, "--out", tmp_path / "rig.toml", "--keep", kept)
    assert "the TAKE itself" in err


def test_a_rig_that_is_calibrated_over_itself_keeps_its_comments_and_wishes(run: Run, tmp_path: Path) -> None:
    mine, other = tmp_path / "mine.toml", tmp_path / "other.toml"
    mine.write_text(
        "# the blue one\n[bass]\ninterval = -24  # like an eight-foot stop\n\n[mutes]\ngap_ms = 2.5 # slow\n"
    )
    shutil.copy(mine, tmp_path / "base.toml")
    assert run("calibrate", OPEN_STRINGS, "--rig", mine, "--out", mine)[0] == 0
    text = mine.read_text()
    for comment in ("# the blue one", "# like an eight-foot stop", "# slow"):
        assert comment in text
    assert "thumbline calibrate: " in text
    assert run("calibrate", OPEN_STRINGS, "--rig", tmp_path / "base.toml", "--out", other)[0] == 0
    assert load_rig(mine) == load_rig(other)


def test_links_of_the_player_are_replaced_neither(run: Run, tmp_path: Path, take: Path, result: Path) -> None:
    folder = tmp_path / "out" / take.stem
    shutil.copytree(result, folder)
    (folder / "bass.wav").rename(tmp_path / "kept.wav")
    (folder / "bass.wav").symlink_to(tmp_path / "kept.wav")
    with pytest.raises(InputError, match="not made by thumbline"), OutputFolder(tmp_path / "out", take.stem) as made:
        (made.path / "bass.wav").write_text("new")
    assert (folder / "bass.wav").is_symlink()
