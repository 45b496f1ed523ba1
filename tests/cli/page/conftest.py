"""A page that several tests of a module share, and a browser that shows it."""

from collections.abc import Iterator
from typing import Any

import pytest

from tests.helpers.browser import PATIENCE_MS, chromium
from tests.helpers.page_room import PageRoom, a_page


@pytest.fixture(scope="module")
def room(tmp_path_factory: pytest.TempPathFactory) -> Iterator[PageRoom]:
    with a_page(tmp_path_factory.mktemp("page")) as room:
        yield room


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    with chromium() as browser:
        yield browser


@pytest.fixture
def page(room: PageRoom, browser: Any) -> Iterator[Any]:
    """The page, let in; nothing may complain, and nothing may be asked of anybody else."""
    room.live.request.split, room.live.request.sound_on, room.live.request.hold = 1, 1, 0
    room.live.request.all_open, room.live.request.tuner, room.live.request.setting = 0, 0, 0
    room.live.engine.setting = 0
    room.asked.clear()
    context = browser.new_context(viewport={"width": 360, "height": 640})
    page = context.new_page()
    page.set_default_timeout(PATIENCE_MS)
    said: list[str] = []
    page.on("console", lambda message: said.append(message.text) if "ERR_CONNECTION" not in message.text else None)
    page.on("pageerror", lambda error: said.append(str(error)))
    page.on("request", lambda request: said.append(request.url) if request.url != room.url else None)
    page.goto(f"{room.url}#{room.code()}")
    page.wait_for_selector("#strings .row")
    yield page
    context.close()
    assert said == []
