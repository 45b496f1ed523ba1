"""How tests are shared out: a file to a worker, and all that play in real time to one, one after the other."""

import pytest

#: Modules that play through a private sound server, in real time and for minutes: run when asked, one after the other.
STAGE = {"test_engine_jack", "test_keeper", "test_live_jack", "test_mutes", "test_ports"}
#: Modules whose tests play in real time, beside whatever else the machine does.
REAL_TIME = STAGE | {"test_engine", "test_live"}
#: How often a test in real time is tried: a machine that does something else for a moment is no fault of the program.
TRIES = 3


def pytest_addoption(parser: pytest.Parser) -> None:
    """Add ``--stage``."""
    parser.addoption(
        "--stage", action="store_true", help="play through a sound server too (jackd): minutes, in real time"
    )


def pytest_configure(config: pytest.Config) -> None:
    """Compile before workers are started: two that compile the same at once spoil Numba's cache of gufuncs."""
    if getattr(config.option, "numprocesses", None) and not hasattr(config, "workerinput"):
        import librosa
        import numpy as np

        from thumbline.dsp.processor import warm_up

        warm_up()
        sound = np.sin(0.05 * np.arange(9600.0))
        librosa.yin(sound, fmin=80, fmax=400, sr=48_000)
        librosa.pyin(sound, fmin=80, fmax=400, sr=48_000)
        librosa.util.localmax(sound)


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """Name each test's group (pytest-xdist, ``--dist loadgroup``): a file's fixtures are made once."""
    for item in items:
        module = item.path.stem
        item.add_marker(pytest.mark.xdist_group("real time" if module in REAL_TIME else module))
        if module in REAL_TIME:
            item.add_marker(pytest.mark.flaky(reruns=TRIES - 1))
        if module in STAGE and not config.getoption("--stage"):
            item.add_marker(pytest.mark.skip(reason="plays through a sound server for minutes: --stage"))
