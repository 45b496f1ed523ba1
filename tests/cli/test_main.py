"""The command itself: version, help, exit codes, and one line for whatever went wrong."""

import os
import subprocess
import sys
from importlib.metadata import version
from pathlib import Path

import click
import pytest

from tests.helpers.places import DEMO
from thumbline.cli import main as program
from thumbline.cli.main import COMMANDS, main
from thumbline.dsp.errors import InputError


def run(capsys: pytest.CaptureFixture[str], *arguments: str) -> tuple[int, str, str]:
    """Exit code, standard output and standard error of the command, run in this process."""
    with pytest.raises(SystemExit) as left:
        main(arguments)
    out, err = capsys.readouterr()
    assert isinstance(left.value.code, int)
    return left.value.code, out, err


def thumbline(*arguments: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "thumbline.cli", *arguments], capture_output=True, text=True, check=False
    )


def test_the_version_is_that_of_the_package(capsys: pytest.CaptureFixture[str]) -> None:
    assert run(capsys, "--version") == (0, f"thumbline {version('thumbline')}\n", "")


@pytest.mark.parametrize("flag", ["--help", "-h"])
def test_help_names_every_command(capsys: pytest.CaptureFixture[str], flag: str) -> None:
    code, out, err = run(capsys, flag)
    assert (code, err) == (0, "")
    for name, (_, text) in COMMANDS.items():
        assert name in out
        assert text.split(",")[0] in " ".join(out.split())


@pytest.mark.parametrize("command", COMMANDS)
def test_every_command_has_help_of_its_own(capsys: pytest.CaptureFixture[str], command: str) -> None:
    code, out, err = run(capsys, command, "--help")
    assert (code, err) == (0, "")
    assert out.startswith(f"Usage: thumbline {command}")
    assert len(out.splitlines()) > 5


def test_help_loads_no_heavy_library() -> None:
    code = (
        "import sys\nfrom thumbline.cli.main import main\n"
        "try:\n    main(['--help'])\nexcept SystemExit:\n    pass\n"
        "heavy = {'numpy', 'scipy', 'numba', 'matplotlib', 'pydantic', 'mido', 'soundfile', 'rich'}\n"
        "print(sorted(heavy & set(sys.modules)), file=sys.stderr)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stderr.strip() == "[]"


@pytest.mark.parametrize(
    "arguments",
    [
        ["sing"],
        ["render"],
        ["render", "take.wav"],
        ["render", "--out", "there"],
        ["render", "take.wav", "--out", "there", "--jobs", "0"],
        ["render", "take.wav", "--out", "there", "--jobs", "many"],
        ["render", "take.wav", "--out", "there", "--louder"],
        ["calibrate"],
        ["calibrate", "take.wav"],
        ["calibrate", "one.wav", "two.wav", "--out", "rig.toml"],
        ["--louder"],
        ["rig", "sing"],
    ],
    ids=" ".join,
)
def test_bad_usage_exits_2_and_says_so(capsys: pytest.CaptureFixture[str], arguments: list[str]) -> None:
    code, out, err = run(capsys, *arguments)
    assert (code, out) == (2, "")
    assert err.startswith("thumbline: ")
    assert err.count("\n") == 1
    assert "--help" in err


def fail_with(error: BaseException, monkeypatch: pytest.MonkeyPatch) -> None:
    def fail(*_: object, **__: object) -> None:
        raise error

    monkeypatch.setattr(program.thumbline, "main", fail)


def test_bad_input_exits_2_with_its_one_line(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    fail_with(InputError("the strings are wet; accepted: dry"), monkeypatch)
    assert run(capsys) == (2, "", "thumbline: the strings are wet; accepted: dry\n")


@pytest.mark.parametrize("error", [KeyboardInterrupt(), click.Abort()])
def test_an_interrupt_exits_1(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, error: BaseException
) -> None:
    fail_with(error, monkeypatch)
    code, out, err = run(capsys)
    assert (code, out) == (1, "")
    assert "interrupted" in err


def test_a_fault_exits_1_without_a_traceback_and_shows_it_on_request(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.delenv("THUMBLINE_TRACEBACK", raising=False)
    fail_with(ZeroDivisionError("of ours\nand more"), monkeypatch)
    code, out, err = run(capsys)
    assert (code, out) == (1, "")
    assert err.startswith("thumbline: a fault in the program: ZeroDivisionError: of ours\n")
    assert "Traceback" not in err
    monkeypatch.setenv("THUMBLINE_TRACEBACK", "1")
    assert "Traceback" in run(capsys)[2]


def test_the_module_runs_as_the_command_does() -> None:
    done = thumbline("--version")
    assert (done.returncode, done.stdout) == (0, f"thumbline {version('thumbline')}\n")
    assert thumbline("sing").returncode == 2


def test_no_arguments_show_the_help_as_bad_usage() -> None:
    done = thumbline()
    assert done.returncode == 2
    assert "Usage: thumbline" in done.stderr


@pytest.mark.skipif(sys.platform == "win32", reason="pipes break otherwise there")
def test_a_reader_that_leaves_early_gets_no_traceback() -> None:
    script = f"{sys.executable} -m thumbline.cli rig explain | head -n 1; echo ${{PIPESTATUS[0]}}"
    done = subprocess.run(["bash", "-c", script], capture_output=True, text=True, check=True)
    assert done.stderr == ""
    assert done.stdout.splitlines()[-1] in ("0", "1")


def test_a_file_that_is_there_is_not_needed_for_help(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(capsys, "render", str(tmp_path / "missing.wav"), "--help")[0] == 0


@pytest.mark.parametrize(
    "arguments",
    [
        ("render", 300 * "a" + ".wav", "--out", "out"),
        ("render", str(DEMO), "--out", 300 * "a"),
        ("calibrate", 300 * "a" + ".wav", "--out", "rig.toml"),
        ("practice", 300 * "a" + ".wav", "--out", "out"),
        ("rig", "check", 300 * "a" + ".toml"),
    ],
    ids=["render", "render --out", "calibrate", "practice", "rig check"],
)
def test_a_name_longer_than_the_system_takes_is_refused_in_one_line(
    capsys: pytest.CaptureFixture[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch, arguments: tuple[str, ...]
) -> None:
    monkeypatch.chdir(tmp_path)
    with pytest.raises(SystemExit) as left:
        main(arguments)
    assert left.value.code == 2
    err = capsys.readouterr().err
    assert "file name too long" in err.lower()
    assert err.count("\n") == 1
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("shell", ["bash", "zsh", "fish"])
def test_the_shell_completes_commands_and_options(shell: str) -> None:
    def completed(line: str) -> str:
        asked = {
            "_THUMBLINE_COMPLETE": f"{shell}_complete",
            "COMP_WORDS": line,
            "COMP_CWORD": str(len(line.split()) - 1),
        }
        if shell == "fish":
            asked["COMP_CWORD"] = line.split()[-1]
        command = [sys.executable, "-m", "thumbline.cli"]
        return subprocess.check_output(command, env=os.environ | asked, text=True)

    assert "render" in completed("thumbline ren")
    assert "practice" not in completed("thumbline ren")
    assert "--jobs" in completed("thumbline render --j")
