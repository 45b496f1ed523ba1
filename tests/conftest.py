"""How tests are shared out: a file to a worker, and all that need a sound server to one, one after the other."""

import pytest

#: Modules whose tests play in real time.
STAGE = {"test_engine_jack", "test_keeper", "test_live_jack", "test_live", "test_mutes", "test_ports"}


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Name each test's group (pytest-xdist, ``--dist loadgroup``): a file's fixtures are made once."""
    for item in items:
        module = item.path.stem
        item.add_marker(pytest.mark.xdist_group("stage" if module in STAGE else module))
