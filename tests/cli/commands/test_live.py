"""`thumbline live` without an interface: a take in real time, and what becomes of it when something dies."""

import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path

import numpy as np
import pytest
import soundfile
from numpy.typing import NDArray

from tests.helpers.jack_server import jack_server
from tests.helpers.live_process import LiveProcess, alive, wait_until
from tests.helpers.midi_receiver import Receiver
from thumbline.cli.console.glyphs import small
from thumbline.cli.shared.live_memory import attach
from thumbline.dsp.memory.events import HANDOVER
from thumbline.dsp.processor.processor import Processor
from thumbline.dsp.rig.model import Rig
from thumbline.dsp.synthetic.demo_score import STRINGS
from thumbline.dsp.synthetic.model_take import hiss, render_string
from thumbline.dsp.synthetic.string_model import Pluck

pytestmark = pytest.mark.real_time

posix = pytest.mark.skipif(sys.platform == "win32", reason="pseudo-terminals are POSIX")
RATE = 48_000
Run = Callable[..., tuple[int, str, str]]
#: Alternating bass strings, a note every 0.2 s, so that strings are muted nearly all the time.
ORDER = (6, 5, 4, 6, 3, 5, 6, 4)


def make_take(seconds: float, order: Sequence[int] = ORDER) -> NDArray[np.float64]:
    rng = np.random.default_rng(7)
    frames = round(seconds * RATE)
    take = np.asarray(hiss(frames, 6, -85.0, rng), np.float64)
    plucks: dict[int, list[Pluck]] = {}
    begin, place = 0.3, 0
    while begin < seconds - 0.3:
        string = order[place % len(order)]
        plucks.setdefault(string, []).append(Pluck(begin, round(STRINGS[string].open_midi), begin + 0.18, 0.8))
        begin, place = begin + 0.2, place + 1
    for string, of_string in plucks.items():
        take[:, string - 1] += render_string(STRINGS[string], of_string, frames, RATE, rng)[0]
    return take


@pytest.fixture(scope="module")
def short_take(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("takes") / "short.wav"
    soundfile.write(path, make_take(2.0), RATE, subtype="FLOAT")
    return path


@pytest.fixture(scope="module")
def long_take(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("takes") / "long.wav"
    soundfile.write(path, make_take(60.0), RATE, subtype="FLOAT")
    return path


@pytest.fixture
def module(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Receiver]:
    """A sound module at the MIDI port ``module:in`` of a server that every program started here finds."""
    with jack_server(tmp_path) as server:
        for name, value in server.environment.items():
            monkeypatch.setenv(name, value)
        module = Receiver(server.name)
        yield module
        module.close()


@pytest.fixture
def playing(long_take: Path, module: Receiver) -> Iterator[LiveProcess]:
    """A run that has got as far as muting strings."""
    with LiveProcess("--take", long_take, "--midi", "module", "--wait", "20") as live:
        live.wait_for("handover", 2)
        wait_until(lambda: sum(live.record.keeper.closed) == 5, "five muted strings")
        yield live


def every_string_is_open(live: LiveProcess) -> bool:
    return not any(live.record.keeper.closed)


def test_a_take_is_played_to_its_end_with_the_hand_overs_of_a_render(short_take: Path) -> None:
    with LiveProcess("--take", short_take) as live:
        assert live.wait() == 0
    kinds = [event["event"] for event in live.events]
    assert kinds[0] == "start"
    assert kinds[-1] == "stop"
    assert {"playing", "pluck", "note", "handover", "status"} <= set(kinds)
    samples, _ = soundfile.read(short_take)
    processor = Processor(Rig(), RATE)
    events = processor.process(samples)[1]
    expected = events[events["kind"] == HANDOVER]
    heard = live.of_kind("handover")
    assert [event["string"] for event in heard] == expected["string"].tolist()
    begun = heard[0]["decided_s"] - expected["decided"][0] / RATE  # silence came first
    decided = [event["decided_s"] - begun for event in heard]
    np.testing.assert_allclose(decided, expected["decided"] / RATE, atol=0.001)
    stop = live.events[-1]
    assert (stop["code"], stop["messages"], stop["decisions"]) == (0, 0, 0), "no port is there, so nothing was sent"
    assert not live.of_kind("mutes")
    assert "85 dB(A)" in live.err
    assert "NIOSH 98-126" in live.err
    assert "--sound" not in live.err


def test_the_sound_is_off_until_somebody_turns_it_on_and_all_else_goes_on(short_take: Path) -> None:
    with LiveProcess("--take", short_take, sound=False) as live:
        live.wait_for("handover")
        loudest = 0.0
        while live.process.poll() is None:
            loudest = max(loudest, float(live.record.engine.sound))
            time.sleep(0.005)
        assert live.wait() == 0
    assert loudest == 0.0
    assert [event["string"] for event in live.of_kind("handover") if event["string"]] == list(ORDER)
    assert {event["engine"]["sound_on"] for event in live.of_kind("status")} == {False}
    (line,) = [line for line in live.err.splitlines() if "--sound" in line]
    assert line.startswith("The sound is off")


@posix
def test_plain_lines_on_a_terminal_have_keys_too(long_take: Path) -> None:
    import pty

    master, slave = pty.openpty()
    command = [sys.executable, "-m", "thumbline.cli", "live", "--take", str(long_take), "--plain"]
    with subprocess.Popen(command, stdin=slave, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True) as process:
        try:
            assert process.stdout is not None
            while "bass: string" not in process.stdout.readline():
                pass
            (memory,) = Path("/dev/shm").glob(f"thumbline-live-{process.pid}-*/memory")
            record = attach(memory)
            assert not record.request.sound_on
            os.write(master, b" ")
            wait_until(lambda: record.engine.sound == 1.0, "sound")
            os.write(master, b"q")
            _, err = process.communicate(timeout=30.0)
        finally:
            process.kill()
            os.close(master)
            os.close(slave)
    assert process.returncode == 0
    assert "there is no keyboard" not in err


def test_every_json_line_has_what_the_documentation_says(short_take: Path) -> None:
    from thumbline.cli.console import reports

    rows = [line.split() for line in (reports.__doc__ or "").splitlines() if line and not line.startswith(("=", " "))]
    documented = {row[0] for row in rows}
    with LiveProcess("--take", short_take) as live:
        assert live.wait() == 0
    for event in live.events:
        assert event["event"].split()[0] in documented
        if event["event"] not in ("start", "fault", "recovered"):
            assert event["time_s"] >= 0.0
    strings = live.of_kind("status")[0]["strings"]
    assert [string["number"] for string in strings] == [1, 2, 3, 4, 5, 6]


@pytest.mark.parametrize("number", [signal.SIGKILL, signal.SIGTERM, signal.SIGSTOP])
def test_when_the_engine_or_the_keeper_ends_or_hangs_all_strings_open_and_another_takes_over(
    playing: LiveProcess, number: int
) -> None:
    """One after the other, in one run."""
    record = playing.record
    engine, keeper = int(record.engine.pid), int(record.keeper.pid)
    os.kill(engine, number)
    wait_until(lambda: every_string_is_open(playing), "open strings", 5.0)
    playing.wait_for("fault")
    playing.wait_for("recovered")
    assert int(record.engine.pid) != engine
    assert not alive(engine)
    wait_until(lambda: not every_string_is_open(playing), "mutes that follow again")
    assert int(record.keeper.pid) == keeper
    os.kill(keeper, number)
    wait_until(lambda: int(record.keeper.pid) != keeper, "another keeper", 20.0)
    playing.wait_for("recovered", 2)
    assert not alive(keeper)
    wait_until(lambda: sum(record.keeper.closed) == 5, "mutes that follow again")
    assert playing.process.poll() is None


@pytest.mark.skipif(sys.platform != "linux", reason="asks Linux which processes there are")
def test_an_engine_that_is_killed_is_back_within_a_second_with_what_was_asked_of_it(playing: LiveProcess) -> None:
    """However often: all split off one that stands by all the while, and ends with the console."""
    record = playing.record
    record.request.bass_level_db, record.request.hold = -6.0, 1
    wait_until(lambda: [*playing.memory.parent.glob("warm-*")], "one that stands by")
    (standing,) = standing_by(playing)
    for number in range(3):
        engine = int(record.engine.pid)
        begun = time.monotonic()
        os.kill(engine, signal.SIGKILL)
        wait_until(lambda engine=engine: int(record.engine.pid) != engine and record.engine.blocks, "sound")
        assert time.monotonic() - begun < 1.0
        assert playing.wait_for("recovered", number + 1)["kind"] == "engine"
    assert (float(record.request.bass_level_db), int(record.request.hold)) == (-6.0, 1)
    assert standing_by(playing) == [standing]
    playing.process.send_signal(signal.SIGKILL)
    wait_until(lambda: not alive(standing), "its end", 5.0)


def standing_by(live: LiveProcess) -> list[int]:
    """Engines that stand by for the one that plays."""
    name = f"--stand-by\0{live.memory.parent}"
    found = [int(path.parent.name) for path in Path("/proc").glob("[0-9]*/cmdline") if name in _text_of(path)]
    return [pid for pid in found if pid != int(live.record.engine.pid)]


def _text_of(path: Path) -> str:
    try:
        return path.read_text()
    except OSError:
        return ""


def test_an_interrupt_meant_for_the_console_does_not_end_the_engine(playing: LiveProcess) -> None:
    engine = int(playing.record.engine.pid)
    os.kill(engine, signal.SIGINT)
    blocks = int(playing.record.engine.blocks)
    wait_until(lambda: int(playing.record.engine.blocks) > blocks + 200, "more blocks")
    assert int(playing.record.engine.pid) == engine
    assert not playing.of_kind("fault") or all(event["kind"] != "engine" for event in playing.of_kind("fault"))


@pytest.mark.parametrize(
    ("number", "code"), [(signal.SIGKILL, -9), (signal.SIGTERM, 1), (signal.SIGINT, 0), (signal.SIGHUP, 1)]
)
def test_when_the_console_ends_all_strings_open_and_nothing_is_left_running(
    playing: LiveProcess, number: int, code: int
) -> None:
    pids = [int(playing.record.engine.pid), int(playing.record.keeper.pid)]
    playing.process.send_signal(number)
    wait_until(lambda: every_string_is_open(playing), "open strings", 5.0)
    assert playing.wait() == code
    wait_until(lambda: not any(map(alive, pids)), "the end of the other processes", 5.0)
    if number != signal.SIGKILL:
        assert not Path(playing.events[0]["memory"]).exists()
        assert playing.events[-1]["event"] == "stop"
        assert playing.events[-1]["code"] == code


def test_several_faults_at_once_leave_no_string_muted(playing: LiveProcess) -> None:
    pids = [int(playing.record.engine.pid), int(playing.record.keeper.pid)]
    for pid in pids:
        os.kill(pid, signal.SIGKILL)
    wait_until(lambda: int(playing.record.keeper.pid) not in pids and every_string_is_open(playing), "a keeper", 20.0)
    playing.process.send_signal(signal.SIGINT)
    assert playing.wait() == 0


def test_a_reader_that_goes_away_ends_it(long_take: Path) -> None:
    command = [sys.executable, "-m", "thumbline.cli", "live", "--take", str(long_take), "--json"]
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL) as process:
        assert process.stdout is not None
        memory = Path(json.loads(process.stdout.readline())["memory"])
        while json.loads(process.stdout.readline())["event"] != "handover":
            pass
        process.stdout.close()
        assert process.wait(30.0) == 1
    assert not memory.exists()


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("--plain", "--json"), "--plain and --json"),
        (("--take", "missing.wav"), "missing.wav"),
        (("--rig", "missing.toml"), "missing.toml"),
        (("--rig", "a.toml", "--set", "b.toml"), "--rig and --set"),
        (("--block", "8"), "--block"),
        (("--rate", "8000"), "--rate"),
    ],
)
def test_what_cannot_be_exits_2_with_one_line(run: Run, arguments: tuple[str, ...], words: str) -> None:
    code, out, err = run("live", *arguments)
    assert (code, out) == (2, "")
    assert err.count("\n") == 1
    assert words in err


def test_a_take_has_a_rate_of_its_own(run: Run, short_take: Path) -> None:
    code, _, err = run("live", "--take", short_take, "--rate", "44100")
    assert code == 2
    assert "--rate is 44100" in err
    assert "48000" in err


@posix
@pytest.mark.usefixtures("module")
def test_the_full_screen_obeys_keys_and_gives_the_terminal_back(long_take: Path) -> None:
    import fcntl
    import pty
    import struct
    import termios

    master, slave = pty.openpty()
    fcntl.ioctl(slave, termios.TIOCSWINSZ, struct.pack("HHHH", 24, 80, 0, 0))
    before = termios.tcgetattr(slave)
    command = [sys.executable, "-m", "thumbline.cli", "live", "--take", str(long_take), "--midi", "module"]
    environment = os.environ | {"TERM": "xterm-256color", "LC_ALL": "C.UTF-8"}
    process = subprocess.Popen(command, stdin=slave, stdout=slave, stderr=subprocess.DEVNULL, env=environment)
    os.set_blocking(master, False)
    seen = bytearray()

    def drawn(words: bytes) -> bool:
        try:
            seen.extend(os.read(master, 65536))
        except BlockingIOError:
            time.sleep(0.005)
        return words in seen

    try:
        for words in (b"in-ears", b"protective", b"RCD", b"cables", b"space: sound on"):
            wait_until(lambda words=words: drawn(words), words.decode())
        assert b"SOUND" not in seen
        os.write(master, b" ")
        wait_until(lambda: drawn(b"load"), "the screen")
        wait_until(lambda: drawn(b"muted"), "muted strings")
        for key, words in ((b"s", "SPLIT OFF"), (b"s", ""), (b"h", "HOLD"), (b" ", "SOUND OFF")):
            seen.clear()
            os.write(master, key)
            large = small(words)[1].strip().encode() if words else b"load"
            wait_until(lambda large=large: drawn(large), words)
        os.write(master, b"q")
        wait_until(lambda: drawn(b"\x1b[?1049l") and process.poll() is not None, "the end")
        assert process.returncode == 0
        assert termios.tcgetattr(slave) == before
    finally:
        process.kill()
        process.wait()
        os.close(master)
        os.close(slave)


@posix
def test_a_terminal_that_knows_no_screen_gets_lines(short_take: Path) -> None:
    import pty

    master, slave = pty.openpty()
    command = [sys.executable, "-m", "thumbline.cli", "live", "--take", str(short_take)]
    done = subprocess.run(
        command, stdin=slave, stdout=slave, stderr=subprocess.PIPE, env=os.environ | {"TERM": "dumb"}, check=False
    )
    os.close(slave)
    printed = os.read(master, 65536)
    os.close(master)
    assert done.returncode == 0
    assert b"bass: string" in printed
    assert b"\x1b[" not in printed


def test_plain_lines_tell_of_a_set_and_of_a_switch_from_outside(tmp_path: Path, short_take: Path) -> None:
    """As it is printed where there is no full screen; the switch is a foot's, written where a foot's process does."""
    (tmp_path / "evening.toml").write_text(
        '[[songs]]\nname = "Slack"\n[[songs]]\nname = "Low"\nbass = { interval = -24 }\n'
    )
    command = [sys.executable, "-m", "thumbline.cli", "live", "--take", str(short_take), "--plain"]
    with subprocess.Popen(
        [*command, "--set", str(tmp_path / "evening.toml")], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    ) as process:
        assert process.stdout is not None
        lines = [process.stdout.readline()]
        (memory,) = Path("/dev/shm").glob(f"thumbline-live-{process.pid}-*/memory")
        record = attach(memory)
        while "bass: string" not in lines[-1]:
            lines.append(process.stdout.readline())
        record.request.setting = 1
        out, _ = process.communicate(timeout=60.0)
    assert process.returncode == 0
    assert lines[0].endswith("Slack, Low\n")
    assert "song 2: Low\n" in out
    assert "bass: none" in out
    assert ", 0 missed, " in out
