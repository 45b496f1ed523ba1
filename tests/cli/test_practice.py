from collections.abc import Callable
from pathlib import Path

import pytest
import soundfile

DEMO = Path(__file__).parents[2] / "data" / "demo.flac"
Run = Callable[..., tuple[int, str, str]]


@pytest.fixture(scope="module")
def takes(tmp_path_factory: pytest.TempPathFactory) -> list[Path]:
    sound, rate = soundfile.read(DEMO, dtype="int16", frames=6 * 48_000)
    folder = tmp_path_factory.mktemp("takes")
    for name in ("ebb", "flow"):
        soundfile.write(folder / f"{name}.flac", sound, rate)
    return [folder / "ebb.flac", folder / "flow.flac"]


def test_a_take_becomes_a_set_and_the_estimate_is_shown(run: Run, takes: list[Path], tmp_path: Path) -> None:
    code, out, err = run("practice", takes[0], "--out", tmp_path, "--speeds", "100", "--mix", "both")
    assert (code, err) == (0, "")
    assert "3 tracks" in out
    assert "107." in out
    assert "estimated" in out
    assert "--bpm" in out
    assert (tmp_path / "ebb" / "index.json").is_file()


def test_several_takes_are_made_at_once(run: Run, takes: list[Path], tmp_path: Path) -> None:
    some = ("--speeds", "100", "--mix", "both", "--bpm", "107")
    code, out, _ = run("practice", *takes, "--out", tmp_path, "--jobs", "2", *some)
    assert code == 0
    assert [line.split(":")[0] for line in out.splitlines()[::2]] == [str(tmp_path / "ebb"), str(tmp_path / "flow")]
    code, out, _ = run("practice", *takes, "--out", tmp_path, *some)
    assert out.count("0 files written") == 2


@pytest.mark.parametrize(
    "arguments",
    [
        ("--bpm", "5"),
        ("--speeds", "slow"),
        ("--ladder", "100-60"),
        ("--mix", "drums"),
        ("--format", "wma"),
        ("--click", "sometimes"),
        ("--taps", "none.txt"),
        ("--loop", "verse"),
        ("--loop", "bars 90-91"),
        ("--rig", "none.toml"),
    ],
)
def test_what_cannot_be_is_one_line_and_leaves_nothing(
    run: Run, takes: list[Path], tmp_path: Path, arguments: tuple[str, str]
) -> None:
    code, out, err = run("practice", takes[0], "--out", tmp_path / "out", *arguments)
    assert (code, out) == (2, "")
    assert len(err.splitlines()) == 1
    assert not (tmp_path / "out").exists()


def test_a_file_that_is_no_take_is_refused(run: Run, tmp_path: Path) -> None:
    (tmp_path / "take.wav").write_bytes(b"no sound")
    code, _, err = run("practice", tmp_path / "take.wav", "--out", tmp_path / "out")
    assert code == 2
    assert "not a sound file" in err
