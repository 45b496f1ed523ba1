"""How tests are shared out: a file to a worker, and all that play in real time to one, one after the other."""

import signal
from collections.abc import Callable
from functools import cache
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, settings
from xdist.scheduler import LoadScopeScheduling

#: How often a test in real time is tried: a machine that does something else for a moment is no fault of the program.
TRIES = 3


# How long examples take says how busy the machine is, nothing of the program.
settings.register_profile("any machine", deadline=None, suppress_health_check=[HealthCheck.too_slow])
settings.load_profile("any machine")


def pytest_configure(config: pytest.Config) -> None:
    """Compile before workers are started: once is enough."""
    if signal.getsignal(signal.SIGINT) == signal.SIG_IGN:  # a shell's background job; what tests start would inherit it
        signal.signal(signal.SIGINT, signal.default_int_handler)
    if getattr(config.option, "numprocesses", None) and not hasattr(config, "workerinput"):
        import librosa
        import numpy as np

        from thumbline.dsp.processor.processor import warm_up

        warm_up()
        sound = np.sin(0.05 * np.arange(9600.0))
        librosa.yin(sound, fmin=80, fmax=400, sr=48_000)
        librosa.pyin(sound, fmin=80, fmax=400, sr=48_000)
        librosa.util.localmax(sound)


class _ByFile(LoadScopeScheduling):
    """A worker takes whole files, whose fixtures are made once, and all that play in real time are one file."""

    def _split_scope(self, nodeid: str) -> str:
        file = Path(nodeid.partition("::")[0])
        return "real time" if _plays_in_real_time(self.config.rootpath / file) else str(file)


@cache
def _plays_in_real_time(file: Path) -> bool:
    """Whether the module bears the mark; who shares out the tests knows no more of them than their names."""
    return "pytest.mark.real_time" in file.read_text("utf-8")


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_make_scheduler(config: pytest.Config, log: Any) -> _ByFile:
    return _ByFile(config, log)


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    for item in items:
        if item.get_closest_marker("real_time"):
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
