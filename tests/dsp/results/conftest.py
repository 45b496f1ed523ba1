"""A rendered take that nobody changes."""

import pytest

from tests.material.rendered_takes import rendered_take
from thumbline.dsp.results.render import Rendered


@pytest.fixture(scope="session")
def result(tmp_path_factory: pytest.TempPathFactory) -> Rendered:
    return rendered_take(tmp_path_factory.mktemp("render"))
