"""What the tests of the command line share: the command, run in this process, with the processor compiled."""

from collections.abc import Callable
from pathlib import Path

import pytest

from thumbline.cli.main import main
from thumbline.dsp.processor import warm_up


@pytest.fixture(scope="session", autouse=True)
def compiled() -> None:
    """Compile once, so that no command under test has to, and to say so on standard error."""
    warm_up()


@pytest.fixture
def run(capsys: pytest.CaptureFixture[str]) -> Callable[..., tuple[int, str, str]]:
    """Return a function that runs the command and returns its exit code, standard output and standard error."""

    def command(*arguments: str | Path) -> tuple[int, str, str]:
        with pytest.raises(SystemExit) as left:
            main([str(argument) for argument in arguments])
        out, err = capsys.readouterr()
        assert isinstance(left.value.code, int)
        return left.value.code, out, err

    return command
