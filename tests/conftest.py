"""How tests are shared out: a file to a worker, and all that play in real time to one, one after the other."""

import signal
from collections.abc import Callable
from pathlib import Path

import pytest

#: Modules of tests/cli that play in real time, most of them through a private sound server.
REAL_TIME = {
    "test_engine",
    "test_engine_jack",
    "test_keeper",
    "test_live",
    "test_live_jack",
    "test_mutes",
    "test_ports",
}
#: How often a test in real time is tried: a machine that does something else for a moment is no fault of the program.
TRIES = 3


def pytest_configure(config: pytest.Config) -> None:
    """Compile before workers are started: two that compile the same at once spoil Numba's cache of gufuncs."""
    if signal.getsignal(signal.SIGINT) == signal.SIG_IGN:  # a shell's background job; what tests start would inherit it
        signal.signal(signal.SIGINT, signal.default_int_handler)
    if getattr(config.option, "numprocesses", None) and not hasattr(config, "workerinput"):
        import librosa
        import numpy as np

        from thumbline.dsp.processor import warm_up
        from thumbline.dsp.tempo import load_tracker

        warm_up()
        load_tracker()
        sound = np.sin(0.05 * np.arange(9600.0))
        librosa.yin(sound, fmin=80, fmax=400, sr=48_000)
        librosa.pyin(sound, fmin=80, fmax=400, sr=48_000)
        librosa.util.localmax(sound)


@pytest.hookimpl(tryfirst=True)  # or pytest-xdist has looked for the groups before they are named
def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """Name each test's group (pytest-xdist, ``--dist loadgroup``): a file's fixtures are made once."""
    for item in items:
        real_time = item.path.parent.name == "cli" and item.path.stem in REAL_TIME
        item.add_marker(pytest.mark.xdist_group("real time" if real_time else str(item.path)))
        if real_time:
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
