"""How tests are shared out: a file to a worker, and all that play in real time to one, one after the other."""

import signal
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from xdist.scheduler import LoadScopeScheduling

#: Modules of tests/cli that play in real time, most of them through a private sound server.
REAL_TIME = {
    "test_engine",
    "test_engine_jack",
    "test_keeper",
    "test_live",
    "test_live_jack",
    "test_mutes",
    "test_pipewire",
    "test_ports",
}
#: How often a test in real time is tried: a machine that does something else for a moment is no fault of the program.
TRIES = 3


def pytest_configure(config: pytest.Config) -> None:
    """Compile before workers are started: once is enough."""
    if signal.getsignal(signal.SIGINT) == signal.SIG_IGN:  # a shell's background job; what tests start would inherit it
        signal.signal(signal.SIGINT, signal.default_int_handler)
    if getattr(config.option, "numprocesses", None) and not hasattr(config, "workerinput"):
        import librosa
        import numpy as np

        from thumbline.dsp.processor import warm_up

        warm_up()
        sound = np.sin(0.05 * np.arange(9600.0))
        librosa.yin(sound, fmin=80, fmax=400, sr=48_000)
        librosa.pyin(sound, fmin=80, fmax=400, sr=48_000)
        librosa.util.localmax(sound)


class _ByFile(LoadScopeScheduling):
    """A worker takes whole files, whose fixtures are made once, and all that play in real time are one file."""

    def _split_scope(self, nodeid: str) -> str:
        file = Path(nodeid.partition("::")[0])
        return "real time" if _plays_in_real_time(file) else str(file)


def _plays_in_real_time(file: Path) -> bool:
    return file.parent.name == "cli" and file.stem in REAL_TIME


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_make_scheduler(config: pytest.Config, log: Any) -> _ByFile:
    return _ByFile(config, log)


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    for item in items:
        if _plays_in_real_time(item.path):
            item.add_marker(pytest.mark.flaky(reruns=TRIES - 1))


@pytest.fixture
def run(capsys: pytest.CaptureFixture[str]) -> Callable[..., tuple[int, str, str]]:
    """Return a function that runs the command in this process; exit code, standard output and standard error."""
    from thumbline.cli.main import main

    def command(*arguments: str | Path) -> tuple[int, str, str]:
        with pytest.raises(SystemExit) as left:
            main([str(argument) for argument in arguments])
        out, err = capsys.readouterr()
        assert isinstance(left.value.code, int)
        return left.value.code, out, err

    return command
