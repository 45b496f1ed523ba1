"""How tests are shared out: a file to a worker, and all that play in real time to one, one after the other."""

import pytest

#: Modules whose tests play in real time, beside whatever else the machine does.
STAGE = {"test_engine", "test_engine_jack", "test_keeper", "test_live_jack", "test_live", "test_mutes", "test_ports"}
#: How often a test in real time is tried: a machine that does something else for a moment is no fault of the program.
TRIES = 3


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


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Name each test's group (pytest-xdist, ``--dist loadgroup``): a file's fixtures are made once."""
    for item in items:
        module = item.path.stem
        on_stage = module in STAGE
        item.add_marker(pytest.mark.xdist_group("stage" if on_stage else module))
        if on_stage:
            item.add_marker(pytest.mark.flaky(reruns=TRIES - 1))
