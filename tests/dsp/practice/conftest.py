"""A short take for practice sets, and the practice page in a browser."""

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import soundfile

from tests.helpers.browser import PATIENCE_MS, chromium
from tests.helpers.places import DEMO
from tests.material.practice_folder import PAGE, SECONDS_OF_TAKE, make_folder, write_page_of
from thumbline.dsp.synthetic.demo import SAMPLE_RATE


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    with chromium("--autoplay-policy=no-user-gesture-required") as browser:
        yield browser


@pytest.fixture(scope="module")
def address(tmp_path_factory: pytest.TempPathFactory) -> str:
    folder = tmp_path_factory.mktemp("practice")
    write_page_of(folder, make_folder(folder))
    return (folder / PAGE).as_uri()


@pytest.fixture
def page(browser: Any, address: str) -> Iterator[Any]:
    """The page, opened from a disk and loaded; nothing may complain, and nothing may be asked of a network."""
    page = browser.new_page()
    page.set_default_timeout(PATIENCE_MS)
    said: list[str] = []
    page.on("console", lambda message: said.append(message.text))
    page.on("pageerror", lambda error: said.append(str(error)))
    page.on("request", lambda request: said.append(request.url) if request.url.startswith("http") else None)
    page.goto(address)
    page.wait_for_function("!document.getElementById('play').disabled")
    yield page
    page.close()
    assert said == []


@pytest.fixture(scope="module")
def take(tmp_path_factory: pytest.TempPathFactory) -> Path:
    sound, rate = soundfile.read(DEMO, dtype="int16", frames=round(SECONDS_OF_TAKE * SAMPLE_RATE))
    path = tmp_path_factory.mktemp("takes") / "tarnholm.flac"
    soundfile.write(path, sound, rate)
    return path
