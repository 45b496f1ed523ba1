"""What the attacks share: a short take of six model strings, and what `render` makes of it."""

from pathlib import Path

import numpy as np
import pytest
import soundfile
from numpy.typing import NDArray

from tests.material.short_take import RATE, short_take
from thumbline.dsp.results.render import render_take
from thumbline.dsp.rig.model import Rig


@pytest.fixture(scope="session")
def take(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The path of the short take."""
    path = tmp_path_factory.mktemp("take") / "pier.wav"
    soundfile.write(path, short_take(), RATE, "PCM_24")
    return path


@pytest.fixture(scope="session")
def frames() -> NDArray[np.float64]:
    """The frames of the short take, (n, 6); not to be changed."""
    made = short_take()
    made.setflags(write=False)
    return made


@pytest.fixture(scope="session")
def result(take: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The folder that came of rendering the short take."""
    return render_take(take, tmp_path_factory.mktemp("result"), Rig()).folder
