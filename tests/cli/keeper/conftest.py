"""Rooms in which a keeper works, each with a sound server of its own."""

from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.helpers.keeper_room import FEET, Room, a_room


@pytest.fixture
def room(tmp_path: Path) -> Iterator[Room]:
    with a_room(tmp_path) as room:
        yield room


@pytest.fixture
def steady_room(tmp_path: Path) -> Iterator[Room]:
    """One whose server waits for its clients: on a busy machine the other kind leaves blocks out, and messages."""
    with a_room(tmp_path, synchronous=True) as room:
        yield room


@pytest.fixture
def quick_room(tmp_path: Path) -> Iterator[Room]:
    """One whose server waits for dead clients no longer than JACK does by default."""
    with a_room(tmp_path, client_timeout_ms=500) as room:
        yield room


@pytest.fixture
def room_with_feet(tmp_path: Path) -> Iterator[Room]:
    with a_room(tmp_path, feet=FEET) as room:
        yield room
