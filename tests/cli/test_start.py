"""The command in odd surroundings: streams that are closed, a folder that is gone, Ctrl-C at any moment."""

import os
import random
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from tests.helpers.places import OPEN_STRINGS
from thumbline.cli import start
from thumbline.cli.console.child_processes import PREFIX, Backstage, _leftovers
from thumbline.cli.main import COMMANDS
from thumbline.cli.shared.live_memory import encoded

Run = Callable[..., tuple[int, str, str]]
posix = pytest.mark.skipif(os.name != "posix", reason="shells and signals of POSIX")
COMMAND = [sys.executable, "-m", "thumbline.cli"]
ESCAPES = "\x1b]0;title\x07\x1b[2J\x9b31m"


def shell(line: str, **options: Any) -> subprocess.CompletedProcess[str]:
    """Run a line of the shell, in which "$@" is the command."""
    command = ["sh", "-c", line, "sh", *COMMAND]
    return subprocess.run(command, capture_output=True, text=True, check=False, timeout=100, **options)


@posix
@pytest.mark.parametrize("closed", [">&-", "2>&-", "<&-", ">&- 2>&- <&-"])
def test_with_closed_streams_the_work_is_done_and_nothing_goes_into_its_files(tmp_path: Path, closed: str) -> None:
    done = shell(f'"$@" rig new {tmp_path}/rig.toml {closed}; "$@" rig check {tmp_path}/rig.toml')
    assert done.returncode == 0
    assert "Traceback" not in done.stderr
    assert done.stdout.endswith("no problems found\n")
    assert "written" not in (tmp_path / "rig.toml").read_text()


@posix
def test_a_fault_with_closed_streams_keeps_its_exit_code() -> None:
    assert shell('"$@" rig check /nowhere >&- 2>&-').returncode == 2


@posix
def test_a_working_folder_that_is_gone_is_told(tmp_path: Path) -> None:
    (tmp_path / "gone").mkdir()
    done = shell(f'cd {tmp_path}/gone && rmdir {tmp_path}/gone && "$@" rig explain')
    assert done.returncode == 2
    assert done.stderr.splitlines()[-1] == (
        "thumbline: the working folder has been removed; accepted: one that exists (cd)"
    )


def interrupted_in(folder: Path, work: str) -> tuple[int, str]:
    """Exit code and standard error of the command if its work is these lines."""
    lines = ["import os, signal, time", "from thumbline.cli import main, start", "def work(*_, **__):"]
    lines += [f"    {line}" for line in work.splitlines()]
    lines += ["main.thumbline.main = work", "start.main()"]
    (folder / "interrupted.py").write_text("\n".join(lines))
    command = [sys.executable, "-m", "interrupted"]
    done = subprocess.run(command, cwd=folder, capture_output=True, text=True, check=False, timeout=60)
    return done.returncode, done.stderr.strip()


@posix
def test_ctrl_c_within_code_that_a_library_runs_from_text_exits_1(tmp_path: Path) -> None:
    """CPython takes such an interrupt for one that nobody has handled, and ends itself by the signal."""
    assert interrupted_in(tmp_path, "exec('raise KeyboardInterrupt')") == (1, start.INTERRUPTED)


@posix
@pytest.mark.parametrize("number", ["SIGINT", "SIGTERM"])
def test_an_interrupt_within_a_destructor_is_not_lost(tmp_path: Path, number: str) -> None:
    """CPython prints what a destructor raises, and goes on."""
    work = f"""\
class Half:
    def __del__(self):
        os.kill(os.getpid(), signal.{number})
        time.sleep(0.01)
Half()
time.sleep(20.0)"""
    begun = time.monotonic()
    assert interrupted_in(tmp_path, work) == (1, start.INTERRUPTED)
    assert time.monotonic() - begun < 15.0


@posix
def test_what_an_interrupt_leaves_half_made_goes_quietly(tmp_path: Path) -> None:
    work = """\
class Half:
    def __init__(self):
        os.kill(os.getpid(), signal.SIGINT)
        time.sleep(10.0)
        self.whole = True
    def __del__(self):
        del self.whole
Half()"""
    assert interrupted_in(tmp_path, work) == (1, start.INTERRUPTED)


@posix
def test_ctrl_c_at_any_moment_shows_no_traceback() -> None:
    """From the first moment that is ours: before it Python itself is being loaded."""
    chance = random.Random(1)
    script = "import thumbline.cli.start as s, os; os.write(1, b'.'); s.main()"
    for _ in range(12):
        process = subprocess.Popen(
            [sys.executable, "-c", script, "--help"], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
        )
        assert process.stdout is not None
        assert process.stdout.read(1) == "."
        time.sleep(chance.uniform(0.0, 0.3))
        process.send_signal(signal.SIGINT)
        out, err = process.communicate(timeout=60)
        if process.returncode == 1:
            assert err.strip() == start.INTERRUPTED
        elif process.returncode == -signal.SIGINT:  # before or after all that is ours
            assert out == "" or "Commands:" in out
            assert "Traceback" not in err
        else:
            assert (process.returncode, err) == (0, "")


def test_whoever_is_not_to_be_interrupted_is_not(monkeypatch: pytest.MonkeyPatch) -> None:
    before = signal.getsignal(signal.SIGINT)

    def run() -> None:
        assert signal.getsignal(signal.SIGINT) == signal.SIG_IGN

    monkeypatch.setattr("thumbline.cli.main.main", run)
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    try:
        start.main()
    finally:
        signal.signal(signal.SIGINT, before)


# --- without docstrings and assertions ---


@pytest.mark.parametrize("command", [[], ["rig"], ["rig", "new"], *([name] for name in COMMANDS)])
def test_help_is_the_same_where_python_throws_docstrings_away(command: list[str]) -> None:
    plain, optimised = (
        subprocess.run(
            [sys.executable, *flags, "-m", "thumbline.cli", *command, "--help"],
            capture_output=True,
            text=True,
            check=True,
        ).stdout
        for flags in ([], ["-OO"])
    )
    assert plain == optimised
    assert len(plain.splitlines()) > 4


def test_a_take_is_rendered_the_same_there(run: Run, tmp_path: Path) -> None:
    demo = OPEN_STRINGS.with_name("demo.flac")
    options = ["--rig", OPEN_STRINGS.with_name("demo.toml")]
    subprocess.run(
        [sys.executable, "-OO", "-m", "thumbline.cli", "render", demo, *options, "--out", tmp_path / "a"], check=True
    )
    assert run("render", demo, *options, "--out", tmp_path / "b")[0] == 0
    for name in ("bass.wav", "guitar.wav", "notes.csv", "mutes.csv", "bass.mid"):
        assert (tmp_path / "a" / "demo" / name).read_bytes() == (tmp_path / "b" / "demo" / name).read_bytes()


# --- names that would command the terminal ---


@pytest.mark.skipif(sys.platform == "win32", reason="such names are refused by the system")
def test_no_message_passes_on_what_a_name_would_tell_the_terminal(run: Run, tmp_path: Path) -> None:
    folder = tmp_path / ESCAPES
    folder.mkdir()
    rig = folder / f"rig{ESCAPES}.toml"
    for arguments in (
        ("rig", "new", rig),
        ("rig", "check", rig),
        ("calibrate", OPEN_STRINGS, "--out", folder / "other.toml"),
        ("render", folder / "missing.wav", "--out", folder),
        ("render", OPEN_STRINGS, "--rig", folder / "none", "--out", folder),
        ("score", folder, folder / "none"),
    ):
        _, out, err = run(*arguments)
        assert out + err
        for line in (out + err).splitlines():
            assert line.isprintable(), arguments


@posix
@pytest.mark.parametrize("encoding", ["utf-8:strict", "ascii:strict", "utf-16:strict"])
def test_names_that_cannot_be_printed_are_printed_with_escapes(tmp_path: Path, encoding: str) -> None:
    name = os.fsencode(tmp_path) + b"/caf\xe9 \xe2\x99\xad.toml"
    command: list[Any] = [*COMMAND, "rig", "new", name]
    done = subprocess.run(command, capture_output=True, check=False, env={**os.environ, "PYTHONIOENCODING": encoding})
    assert done.returncode == 0, done.stderr
    assert Path(os.fsdecode(name)).exists()
    shown = done.stdout if encoding.startswith("ascii") else done.stdout.decode(encoding.partition(":")[0]).encode()
    assert b"caf\\udce9" in shown


def test_a_progress_bar_shows_a_name_escaped(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    import rich.console

    from thumbline.cli.progress import progress_bar

    console = rich.console.Console
    monkeypatch.setattr(rich.console, "Console", lambda stderr: console(stderr=stderr, force_terminal=True, width=150))
    with progress_bar(f"take{ESCAPES}") as show:
        show(1.0)
    shown = capsys.readouterr().err
    assert "\\x1b]0;title" in shown
    assert "\x1b]0;" not in shown
    assert "\x9b" not in shown


def test_texts_that_live_shares_are_escaped_and_cut_between_characters() -> None:
    assert encoded(f"port{ESCAPES}", 256).decode().isprintable()
    assert encoded("caf\udce9", 64) == b"caf\\udce9"
    assert encoded("♭♭", 5) == "♭".encode()


# --- what others leave in a shared place ---


@posix
def test_folders_of_any_name_in_the_shared_place_stop_nobody(tmp_path: Path) -> None:
    ended = subprocess.Popen([sys.executable, "-c", ""])
    ended.wait()
    for name in ("99999999999999999999-x", f"{2**31}-x", "²-x", "٣-x", "-x", "", f"{ended.pid}-x"):
        (tmp_path / f"{PREFIX}{name}").mkdir()
    assert [folder.name for folder in _leftovers(tmp_path)] == [f"{PREFIX}{ended.pid}-x"]


@pytest.mark.skipif(not os.access("/dev/shm", os.W_OK), reason="there is no such place")
def test_nor_do_they_where_live_looks() -> None:
    folder = Path(f"/dev/shm/{PREFIX}99999999999999999999-x")
    folder.mkdir(exist_ok=True)
    try:
        with Backstage() as backstage:
            assert backstage.memory.parent.is_dir()
    finally:
        folder.rmdir()
