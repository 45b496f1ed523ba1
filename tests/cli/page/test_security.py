"""Who is refused by the stage page: strangers of every kind. What is refused asks for nothing, and play goes on.

Attacks as the OWASP Cheat Sheet Series names them (WebSocket Security, DNS rebinding, cross-site WebSocket hijacking).
"""

import json
import os
import secrets
import socket
import subprocess
import time
from contextlib import ExitStack, suppress
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from websockets.exceptions import ConnectionClosed, InvalidMessage, InvalidStatus

from tests.helpers.live_process import wait_until
from tests.helpers.page_room import PageRoom, ScreenByHand, a_flood, a_page
from thumbline.cli.page.crowd import MOST, MOST_OF_ONE
from thumbline.cli.page.guard import MOST_WRONG, TRIES

UPGRADE = {
    "Upgrade": "websocket",
    "Connection": "Upgrade",
    "Sec-WebSocket-Version": "13",
    "Sec-WebSocket-Key": "dGhlIHNhbXBsZSBub25jZQ==",  # the key of RFC 6455, 1.3
}


def first_answer(room: PageRoom, message: str | bytes) -> Any:
    """What the page answers to a first message; None if it hangs up without a word."""
    with room.socket() as stranger:
        stranger.send(message)
        with suppress(ConnectionClosed):
            return json.loads(stranger.recv(20))
    return None


def test_without_a_code_nothing_is_shown_and_nothing_done(room: PageRoom) -> None:
    before = list(room.asked)
    for message in (
        '{"do": "sound", "to": 0, "seen": 1}',
        '{"ticket": ""}',
        '{"ticket": "."}',
        f'{{"ticket": "{secrets.token_hex(8)}.{secrets.token_hex(32)}"}}',
        '{"ticket": "\\ud800.\\ud800"}',
        '{"code": 12345678}',
        '{"code": null}',
        "[1]",
        "null",
        "9" * 400,
    ):
        answer = first_answer(room, message)
        assert set(answer) == {"refused"}, message
    for message in ("", "no JSON", b"\xff\xfe", "[" * 400, "x" * 5000):
        assert first_answer(room, message) is None, message
    with room.socket() as silent, pytest.raises(ConnectionClosed):
        silent.recv(20)  # nothing is said: hung up on
    assert room.asked == before


def test_a_wrong_code_is_refused_and_one_address_has_few_tries(tmp_path: Path) -> None:
    with a_page(tmp_path) as room:
        right = room.code()
        wrong = f"{(int(right) + 1) % 10**8:08d}"
        answers = [first_answer(room, json.dumps({"code": wrong})) for _ in range(int(TRIES))]
        assert answers == [{"refused": "code"}] * int(TRIES)
        assert first_answer(room, json.dumps({"code": right})) == {"refused": "too many"}
        assert room.code() == right


def test_a_code_works_once_and_a_ticket_again(room: PageRoom) -> None:
    code = room.code()
    screen = ScreenByHand(room.address.port, code=f"{code[:4]} {code[4:]}")
    assert screen.answer["in"]
    wait_until(lambda: room.code() != code, "another code")
    assert first_answer(room, json.dumps({"code": code})) == {"refused": "code"}
    again = ScreenByHand(room.address.port, ticket=screen.ticket)
    assert again.answer == {"in": True}
    assert again.view()["song"] == "Slack Water"
    for each in (screen, again):
        each.close()


def test_after_a_hundred_wrong_codes_no_code_works_and_the_terminal_says_so(tmp_path: Path) -> None:
    """From as many addresses as an attacker has: loopback is a whole network of 16 million."""
    with a_page(tmp_path) as room:
        screen = room.screen()
        right = room.code()
        wrong = f"{(int(right) + 1) % 10**8:08d}"
        for n in range(MOST_WRONG):
            place = (f"127.0.{1 + n // 100}.{1 + n % 100}", 0)
            with room.socket(sock=socket.create_connection(("127.0.0.1", room.address.port), 20, place)) as stranger:
                stranger.send(json.dumps({"code": wrong}))
                assert json.loads(stranger.recv(20)) == {"refused": "code"}
        wait_until(lambda: "locked" in room.stand.words, "the terminal")
        assert room.stand.happened()[-1]["code"] == ""
        assert first_answer(room, json.dumps({"code": right})) == {"refused": "locked"}
        assert first_answer(room, json.dumps({"code": ""})) == {"refused": "locked"}
        assert screen.view()["song"] == "Slack Water", "who is in stays in"


@pytest.mark.parametrize(
    "host",
    ["rebind.example", "rebind.example:{port}", "127.0.0.1", "127.0.0.1:80", "127.0.0.1.rebind.example:{port}", "",
     "localhost.:{port}", "0.0.0.0:{port}", "[::1]:{port}", "127.0.0.2:{port}", "127.0.0.1:{port}@rebind.example"],
)  # fmt: skip
@pytest.mark.parametrize("path", ["/", "/stage"])
def test_a_page_of_the_internet_whose_name_leads_here_gets_nothing(room: PageRoom, host: str, path: str) -> None:
    """DNS rebinding: the browser takes the page for one of ours, but still says by what name it was asked for."""
    host = host.format(port=room.address.port)
    status, _, text = room.get(path, Host=host, Origin=f"http://{host}", **UPGRADE)
    assert status == 421
    assert "<html" not in text


def test_the_names_of_this_computer_are_answered(room: PageRoom) -> None:
    for name in (room.host, room.host.replace("127.0.0.1", "LOCALHOST")):
        assert room.get(Host=name)[0] == 200
    assert room.get("/page", Host=room.host)[0] == 404
    assert room.get("/../../etc/passwd", Host=room.host)[0] == 404


@pytest.mark.parametrize(
    "origin", [None, "null", "http://rebind.example", "https://{host}", "http://127.0.0.1", "http://localhost:{port}"]
)
def test_a_socket_that_another_page_opens_is_refused(room: PageRoom, origin: str | None) -> None:
    given = None if origin is None else origin.format(host=room.host, port=room.address.port)
    with pytest.raises(InvalidStatus) as refused, room.socket(origin=given):
        pass
    assert refused.value.response.status_code == 403


def test_a_request_with_two_hosts_is_refused(room: PageRoom) -> None:
    with socket.create_connection(("127.0.0.1", room.address.port), 20) as raw:
        raw.sendall(f"GET / HTTP/1.1\r\nHost: {room.host}\r\nHost: rebind.example\r\n\r\n".encode())
        assert raw.recv(100).startswith(b"HTTP/1.1 421")


def test_the_page_may_load_nothing_and_stand_in_no_frame(room: PageRoom) -> None:
    _, headers, text = room.get(Host=room.host)
    policy = headers["Content-Security-Policy"]
    assert "default-src 'none'" in policy
    assert "frame-ancestors 'none'" in policy
    assert "unsafe" not in policy
    assert "Server" not in headers
    assert headers["Cache-Control"] == "no-store"
    assert headers["X-Content-Type-Options"] == "nosniff"
    assert "http://" not in text
    assert "https://" not in text


@pytest.mark.skipif(not hasattr(os, "geteuid") or os.geteuid() != 0, reason="only root can be another user")
def test_another_user_of_the_machine_finds_neither_code_nor_key(tmp_path: Path) -> None:
    """The folder of a run is its player's alone (0700), as `tempfile.mkdtemp` makes it; so is pytest's, here."""
    with a_page(tmp_path) as room:
        script = (
            "import json, socket, sys, urllib.request\n"
            "def tried(path):\n"
            "    try: return open(path, 'rb').read(1 << 20)\n"
            "    except OSError: return b''\n"
            f"found = [tried(p) for p in ('{room.memory}', '{room.memory}.page', '/proc/{room.pid}/environ',"
            f" '/proc/{room.pid}/mem', '/proc/{room.pid}/fd/1')]\n"
            f"shown = tried('/proc/{room.pid}/cmdline')\n"
            f"page = urllib.request.urlopen('{room.url}').read()\n"
            "print(json.dumps([[len(each) for each in found], shown.decode(), page.decode()]))\n"
        )
        done = subprocess.run(
            ["/usr/bin/env", "python3", "-I", "-c", script], user=65534, group=65534, extra_groups=[], cwd="/",
            capture_output=True, text=True, check=True, timeout=60,
        )  # fmt: skip
        sizes, command, page = json.loads(done.stdout)
        assert sizes == [0] * 5
        secret = (room.code(), room.stand._key.hex())
        assert not any(each in command or each in page for each in secret)


def test_a_flood_is_refused_and_the_screen_that_is_in_goes_on(tmp_path: Path) -> None:
    """Connections that say nothing, half requests, whole ones, and wrong codes, as fast as this machine can."""
    with a_page(tmp_path) as room:
        screen = room.screen()
        screen.view()
        with a_flood(room.address.port):
            times = []
            for _ in range(60):
                screen.view()
                times.append(time.monotonic())
            screen.ask("hold", 1)
            wait_until(lambda: ("hold", 1) in room.asked, "a touch")
            descriptors = len(list(Path(f"/proc/{room.pid}/fd").iterdir()))
        assert np.median(np.diff(times)) < 0.2
        assert room.asked == [("hold", 1)]
        assert descriptors < MOST + 30, "who is too much is hung up on"
        assert room.memory.with_name("page.log").stat().st_size == 0, "what strangers send fills no disk"
        assert not room.told, "the same process"
        wait_until(lambda: room.get(Host=room.host)[0] == 200, "the page, once the flood is over")


def test_a_phone_on_a_bad_network_gets_the_whole_page(room: PageRoom) -> None:
    _, _, whole = room.get(Host=room.host)
    with socket.socket() as slow:
        slow.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 2048)
        slow.connect(("127.0.0.1", room.address.port))
        slow.sendall(f"GET / HTTP/1.1\r\nHost: {room.host}\r\n\r\n".encode())
        read = b""
        while part := slow.recv(1024):
            read += part
            time.sleep(0.05)
    assert read.split(b"\r\n\r\n", 1)[1].decode() == whole


def test_one_address_has_so_many_connections_and_no_more(tmp_path: Path) -> None:
    with a_page(tmp_path) as room:
        with ExitStack() as kept:
            for _ in range(MOST_OF_ONE):
                kept.enter_context(room.socket())
            with pytest.raises((ConnectionClosed, InvalidMessage, OSError, EOFError)):
                kept.enter_context(room.socket())
        assert room.screen().answer["in"]


def test_a_screen_that_asks_too_much_is_held_to_what_a_hand_can_do(room: PageRoom) -> None:
    screen = room.screen()
    screen.view()
    room.asked.clear()
    for n in range(40):
        screen.ask("hold", n % 2)
    assert screen.refusal() == {"refused": "hold", "reason": "too many"}
    assert len(room.asked) <= 10
    assert hung_up_on(screen) == 1008


def hung_up_on(screen: ScreenByHand) -> int:
    """Say more than any page does until the page hangs up; the code of RFC 6455 that it gives."""
    with suppress(ConnectionClosed):
        while True:
            for _ in range(10):
                screen.say(seen=0)
            screen.view()
    return screen.socket.close_code or 0


@pytest.mark.parametrize(
    ("what", "to"),
    [("stop", 1), ("q", 1), ("mute", 1), ("sound", None), ("hold", "1"), ("request.stop", 1), ("hold", [1])],
)
def test_what_no_button_asks_for_is_not_done(room: PageRoom, what: str, to: object) -> None:
    screen = room.screen()
    screen.view()
    room.asked.clear()
    screen.ask(what, to)
    assert screen.refusal()["reason"] == "unknown"
    assert room.asked == []
    screen.close()


def test_a_touch_that_was_held_up_on_its_way_is_not_done(room: PageRoom) -> None:
    """A screen that lost its link for seconds must not switch the sound off in the middle of the next song."""
    screen = room.screen()
    screen.view()
    old = screen.number
    room.asked.clear()
    until = time.monotonic() + 2.5
    while time.monotonic() < until:
        screen.view()
    for seen in (old, 10**9, -1, None):
        screen.say(do="sound", to=0, seen=seen)
        assert screen.refusal() == {"refused": "sound", "reason": "too late"}
    assert room.asked == []
    screen.ask("sound", 0)
    wait_until(lambda: room.asked == [("sound", 0)], "a touch of the present")
    screen.close()
