"""What the tests of the command line share: the processor is compiled."""

import pytest

from thumbline.dsp.processor.processor import warm_up


@pytest.fixture(scope="session", autouse=True)
def compiled() -> None:
    """Compile once, so that no command under test has to, and to say so on standard error."""
    warm_up()
