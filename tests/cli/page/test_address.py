"""Where the stage page may be, and what a browser may call it."""

import socket

import pytest

from thumbline.cli.page.address import PORT, PageAddress, hosts, own_address, page_address
from thumbline.dsp.errors import InputError


def test_without_an_address_it_is_this_computer_and_nobody_else() -> None:
    assert page_address("") == PageAddress("127.0.0.1", PORT)
    assert page_address("localhost:61300") == PageAddress("127.0.0.1", 61300)
    assert page_address(":61300").url == "http://127.0.0.1:61300/"


def test_addresses_in_figures_and_names() -> None:
    assert page_address("127.0.0.2").url == f"http://127.0.0.2:{PORT}/"
    assert page_address("127.0.0.2:61301") == PageAddress("127.0.0.2", 61301)
    name = socket.gethostname()
    try:
        found = page_address(f"{name}:61302")
    except InputError:
        pytest.skip("this computer does not know its own name")
    assert found.name == name.lower()
    assert found.url == f"http://{name.lower()}:61302/"


@pytest.mark.skipif(not socket.has_ipv6, reason="needs IPv6")
def test_addresses_of_version_6_stand_in_brackets() -> None:
    try:
        assert page_address("::1") == PageAddress("::1", PORT)
    except InputError:
        pytest.skip("this computer has no IPv6")
    assert page_address("[::1]:61303").url == "http://[::1]:61303/"


@pytest.mark.parametrize(
    ("given", "said"),
    [
        ("127.0.0.1:80", r"accepted: a port from 1024 to 65535"),
        ("127.0.0.1:65536", r"accepted: a port from 1024 to 65535"),
        ("127.0.0.1:", r"accepted: a port"),
        ("127.0.0.1:http", r"'127\.0\.0\.1:http'; accepted: a port"),
        ("127.0.0.1:-1", r"accepted: a port"),
        ("[::1", r"accepted: an address of this computer"),
        ("[::1]61240", r"accepted: an address of this computer"),
        ("no such name.invalid", r"'no such name\.invalid', which is no address; accepted"),
        ("\x1b]0;x\x07", r"which is no address"),
        ("x" * 300, r"which is no address"),
        ("192.0.2.1", r"192\.0\.2\.1:61240 cannot be used .*; accepted: an address of this computer"),
    ],
)
def test_what_is_no_address_of_this_computer_is_refused_in_one_line(given: str, said: str) -> None:
    with pytest.raises(InputError, match=said) as refused:
        page_address(given)
    assert "\n" not in str(refused.value)
    assert "\x1b" not in str(refused.value)


def test_a_port_that_another_program_has_is_said_before_anything_sounds() -> None:
    with socket.socket() as other:
        other.bind(("127.0.0.1", 0))
        other.listen()
        port = other.getsockname()[1]
        if port < 1024:
            pytest.skip("a port of the system's own")
        with pytest.raises(InputError, match=rf"127\.0\.0\.1:{port} cannot be used \(Address already in use\)"):
            page_address(f"127.0.0.1:{port}")


def test_a_browser_may_say_the_address_at_which_it_came_in_and_a_name_that_was_given() -> None:
    assert hosts(PageAddress("127.0.0.1", 61240), "127.0.0.1") == {"127.0.0.1:61240", "localhost:61240"}
    assert hosts(PageAddress("0.0.0.0", 61240), "192.168.1.20") == {"192.168.1.20:61240"}
    assert hosts(PageAddress("::", 61240), "::ffff:192.168.1.20") == {"192.168.1.20:61240"}
    assert hosts(PageAddress("::", 61240), "fd00::1") == {"[fd00::1]:61240"}
    stage = PageAddress("192.168.1.20", 8080, "stage.local")
    assert hosts(stage, "192.168.1.20") == {"192.168.1.20:8080", "stage.local:8080"}


def test_where_it_listens_everywhere_an_address_is_shown_that_can_be_typed() -> None:
    shown = PageAddress("0.0.0.0", PORT).url
    assert shown == f"http://{own_address() or '0.0.0.0'}:{PORT}/"
