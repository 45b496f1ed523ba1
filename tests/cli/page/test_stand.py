"""The process of the stage page as the console sees it: ended, stopped, or saying what it should not."""

import json
import os
import signal
import stat
import time
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from tests.helpers.live_process import alive, wait_until
from tests.helpers.page_room import SONGS, PageRoom, ScreenByHand, a_page
from thumbline.cli.console.make_memory import create
from thumbline.cli.console.routing import make_routing
from thumbline.cli.page import stand
from thumbline.cli.page.address import PageAddress
from thumbline.cli.page.programme import programme_path, read_programme, write_programme
from thumbline.cli.page.stand import Stand
from thumbline.cli.songs.songs import Songs
from thumbline.cli.songs.wishes import SWITCHES, Wishes
from thumbline.dsp.memory.record_type import Record
from thumbline.dsp.rig.model import Rig


def test_a_killed_process_is_followed_by_another_that_knows_the_tickets(tmp_path: Path) -> None:
    with a_page(tmp_path) as room:
        screen = room.screen()
        screen.view()
        first = room.pid
        os.kill(first, signal.SIGKILL)
        wait_until(lambda: room.pid != first and room.stand._code, "another process")
        again = ScreenByHand(room.address.port, ticket=screen.ticket)
        assert again.answer == {"in": True}
        assert again.view()["song"] == "Slack Water"
        wait_until(lambda: len(room.told) == 2, "the notice")
        assert [(notice.kind, notice.fault) for notice in room.told] == [("page", True), ("page", False)]
        assert [notice.headline for notice in room.told] == ["", ""], "nothing large: play is not touched"


def test_a_process_that_a_signal_has_stopped_is_replaced(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(stand, "SILENT_S", 2.0)
    with a_page(tmp_path) as room:
        first = room.pid
        os.kill(first, signal.SIGSTOP)
        wait_until(lambda: room.pid != first and room.stand._code, "another process")
        assert not alive(first)


def test_a_process_that_goes_on_dying_does_not_load_the_computer(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Whatever it dies of, here of a memory that is not there, it is tried half as often each time, and told once."""
    monkeypatch.setattr(stand, "RETRY_S", 0.05)
    monkeypatch.setattr(stand, "LATEST_S", 0.4)
    one = Stand(tmp_path / "memory", PageAddress("127.0.0.1", 1), SONGS)
    begun: list[float] = []
    monkeypatch.setattr(one, "_command", ["false"])
    begin = one._begin
    monkeypatch.setattr(one, "_begin", lambda: (begun.append(time.monotonic()), begin()))
    one.start(lambda what, to: None)
    told: list[Any] = []
    until = time.monotonic() + 4.0
    while time.monotonic() < until:
        told += list(one.look())
        time.sleep(0.005)
    waits = np.diff(begun)
    assert len(told) == 1
    assert np.all(np.diff(waits[:3]) > 0.0)
    assert np.all(waits[4:] > 0.39)
    one.stop()


def test_it_ends_with_the_run_and_with_a_console_that_is_killed(tmp_path: Path) -> None:
    with a_page(tmp_path) as room:
        screen = room.screen()
        screen.view()
        pid = room.pid
        room.live.request.stop = 1
        while "ended" not in (said := json.loads(screen.socket.recv(20))):
            screen.say(seen=said["n"])
        wait_until(lambda: not alive(pid), "its end")


def test_an_address_that_is_gone_meanwhile_is_told_and_tried_again(tmp_path: Path) -> None:
    with a_page(tmp_path) as first, a_page_at(tmp_path / "second", first.address.port) as room:
        wait_until(lambda: room.told, "the notice")
        assert "Address already in use" in str(room.told[0])
        assert room.stand.words.endswith("is starting")
        first.end()
        wait_until(lambda: room.stand._code, "the page")


class a_page_at:  # noqa: N801
    """A page at a port that may be taken."""

    def __init__(self, folder: Path, port: int):
        folder.mkdir()
        self._room = PageRoom(folder, port=port)

    def __enter__(self) -> PageRoom:
        self._room.stand.start(lambda what, to: None)
        self._room._thread.start()
        return self._room

    def __exit__(self, *error: object) -> None:
        self._room.end()


def test_the_code_is_shown_in_two_halves_with_the_number_of_screens(tmp_path: Path) -> None:
    with a_page(tmp_path) as room:
        code = room.code()
        assert room.stand.words == f"page {room.url}  code {code[:4]} {code[4:]}"
        assert room.stand.happened() == [{"event": "page", "url": room.url, "code": code}]
        assert room.stand.happened() == []
        with room.screen().socket:
            wait_until(lambda: room.stand.words.endswith(", 1 screen"), "the number of screens")
            assert room.code() != code


def test_what_the_process_says_is_believed_no_further_than_it_must_be(tmp_path: Path) -> None:
    asked: list[tuple[str, int]] = []
    one = Stand(tmp_path / "memory", PageAddress("127.0.0.1", 1), SONGS)
    one._ask = lambda what, to: asked.append((what, to))
    asks = [b'{"ask": "hold"}', b'{"ask": "hold", "to": "x"}', b'{"ask": "split", "to": 0}']
    others = [b"", b"no JSON", b"[1]", b"null", b"[" * 5000, b'{"code": "\\u001b[2J"}', b'{"screens": "many"}', b"\xff"]
    read, write = os.pipe()
    os.write(write, b"\n".join([*asks, *others, b""]))
    os.close(write)
    one._hear(SimpleNamespace(stdout=os.fdopen(read, "rb")))  # pyright: ignore[reportArgumentType]
    assert asked == [("split", 0)]
    assert one._code == ""
    assert one._screens == 0


def test_what_lies_beside_the_memory_is_the_players_alone(tmp_path: Path) -> None:
    settings = [
        ("one", Rig()),
        ("two", Rig.model_validate({"bass": {"interval": -7}, "choice": {"strings": [4, 5, 6]}})),
    ]
    write_programme(tmp_path / "memory", settings, b"secret")
    path = programme_path(tmp_path / "memory")
    assert stat.S_IMODE(path.stat().st_mode) == 0o600
    read = read_programme(tmp_path / "memory")
    assert read.settings == settings
    assert read.key == b"secret"


def test_a_saved_song_is_shown_as_it_is_now(tmp_path: Path) -> None:
    with a_page(tmp_path) as room:
        screen = room.screen()
        assert "octave down" in screen.view()["facts"]
        room.songs[0] = ("Slack Water", Rig.model_validate({"bass": {"interval": -24}}))
        room.stand.use(room.songs)
        screen.until(lambda view: "two octaves down" in view["facts"])


@pytest.fixture
def live(tmp_path: Path) -> Record:
    return create(tmp_path / "memory", SONGS, rate=48_000, block_frames=64, routing=make_routing([1], [2]))


@pytest.fixture
def wishes(live: Record) -> Wishes:
    songs = Songs(live, list(SONGS), 48_000)
    return Wishes(live, songs, lambda: SONGS[int(live.engine.setting)][1], sound=False)


def test_what_is_asked_for_twice_is_asked_for_once(live: Record, wishes: Wishes) -> None:
    """Two hands on two screens touch the same button: a key pressed twice would take back what it did."""
    for what, (_, field) in SWITCHES.items():
        for to in (1, 1, 0, 0, 1):
            wishes.ask(what, to)
            assert int(live.request[field]) == to, what
    assert wishes.sound


def test_songs_are_gone_to_as_by_a_key(live: Record, wishes: Wishes) -> None:
    live.request.interval = -7.0
    wishes.ask("song", 2)
    assert int(live.request.setting) == 1
    assert np.isnan(float(live.request.interval)), "a song has its own interval"


@pytest.mark.parametrize(
    ("what", "to"), [("song", 0), ("song", 4), ("song", -1), ("sound", 2), ("stop", 1), ("setting", 1), ("", 0)]
)
def test_what_no_key_does_is_not_done(live: Record, wishes: Wishes, what: str, to: int) -> None:
    before = live.request.tobytes()
    wishes.ask(what, to)
    assert live.request.tobytes() == before


def test_keys_and_page_agree_on_the_sound(live: Record, wishes: Wishes) -> None:
    assert wishes.press(" ")
    assert wishes.sound
    wishes.ask("sound", 0)
    assert not wishes.sound
    assert wishes.press("x")
    assert not wishes.press("q")
    assert int(live.request.sound_on) == 0


def test_the_process_cannot_write_to_the_memory(live: Record, tmp_path: Path) -> None:
    from thumbline.cli.shared.live_memory import attach

    seen: Any = attach(tmp_path / "memory", to_write=False)
    live.request.hold = 1
    assert int(seen.request.hold) == 1
    with pytest.raises(ValueError, match="read-only"):
        seen.request.all_open = 0


def test_ten_strings_and_one_song_are_shown_too(tmp_path: Path) -> None:
    strings = ["E4", "B3", "G3", "D3", "A2", "E2", "B1", "F#1", "C#1", "B0"]
    rig = Rig.model_validate({"instrument": {"strings": strings}, "input": {"channels": list(range(1, 11))}})
    with a_page(tmp_path, [("", rig)]) as room:
        view = room.screen().view()
        assert [string["open"] for string in view["strings"]] == strings
        assert (view["songs"], view["next"], view["bass"]) == ([""], "", None)
