"""A page that several tests of a module share."""

from collections.abc import Iterator

import pytest

from tests.helpers.page_room import PageRoom, a_page


@pytest.fixture(scope="module")
def room(tmp_path_factory: pytest.TempPathFactory) -> Iterator[PageRoom]:
    with a_page(tmp_path_factory.mktemp("page")) as room:
        yield room
