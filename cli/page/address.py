"""Where the stage page is: the address and port that `--page` names, and what a browser may call them.

A page of the internet can have its own name lead to an address of this computer and so speak to a server here as if it
were its own ("DNS rebinding"); the browser then still sends that name as Host. So only an address in figures, at which
the connection has really come in, is answered, "localhost" on the computer itself, and a name that the player gave.
"""

import ipaddress
import os
import socket
from dataclasses import dataclass

from thumbline.dsp.errors import InputError, printable

#: Above the ports that systems hand out by themselves (Linux up to 60999; RFC 6335: from 49152 nothing is assigned).
PORT = 61240
#: An address that nobody has (RFC 5737): the way there begins where other networks are.
ELSEWHERE = ("192.0.2.1", 9)
#: Ports below are left to the system's own services.
LOWEST_PORT = 1024
LOOPBACK = "127.0.0.1"


@dataclass(frozen=True)
class PageAddress:
    """An address to listen at: ``host`` in figures, ``name`` as the player gave it."""

    host: str
    port: int
    name: str = ""

    @property
    def url(self) -> str:
        """What to type into a browser."""
        host = self.name or self.host
        if ipaddress.ip_address(self.host).is_unspecified:
            host = own_address() or host
        return f"http://{with_port(host, self.port)}/"


def with_port(host: str, port: int) -> str:
    """Return host and port as a browser writes them: IPv6 in brackets, port 80 left out."""
    shown = f"[{host}]" if ":" in host else host
    return shown if port == 80 else f"{shown}:{port}"


def page_address(text: str) -> PageAddress:
    """Read what was given to `--page`; empty means the computer itself and nobody else.

    Raises InputError if it is no address of this computer, or if another program listens there.
    """
    name, port = _parts(text)
    host = LOOPBACK if name in ("", "localhost") else _figures(name, text)
    address = PageAddress(host, port, "" if name in ("", "localhost", host) else name.lower())
    _try(address, text)
    return address


def hosts(address: PageAddress, local: str) -> set[str]:
    """Return what Host may say on a connection that came in at this computer's address ``local``."""
    plain = ipaddress.ip_address(local.split("%")[0])
    mapped = getattr(plain, "ipv4_mapped", None) or plain
    names = {str(mapped)}
    if mapped.is_loopback:
        names.add("localhost")
    if address.name:
        names.add(address.name)
    return {with_port(each, address.port) for each in names}


def own_address() -> str:
    """Return an address that other computers may reach this one at, or "" if none is known; nothing is sent."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as asked:
        try:
            asked.connect(ELSEWHERE)
            return str(asked.getsockname()[0])
        except OSError:
            return ""


def _accepted() -> str:
    example = own_address() or "192.168.1.20"
    return f"accepted: an address of this computer, perhaps {example}, or with a port {example}:{PORT}"


def _parts(text: str) -> tuple[str, int]:
    """Host and port of "host", "host:port", ":port", "[v6]:port" or "v6"."""
    if text.startswith("["):
        host, bracket, rest = text[1:].partition("]")
        if not bracket or (rest and not rest.startswith(":")):
            raise InputError(f"--page is {printable(text)!r}; {_accepted()}")
        port = rest[1:]
    elif text.count(":") > 1:
        host, port = text, ""
    else:
        host, _, port = text.partition(":")
    if not port and not text.endswith(":"):
        return host, PORT
    if not (port.isascii() and port.isdecimal() and len(port) <= 5 and LOWEST_PORT <= int(port) <= 65535):
        raise InputError(f"--page is {printable(text)!r}; accepted: a port from {LOWEST_PORT} to 65535")
    return host, int(port)


def _figures(name: str, text: str) -> str:
    """The address in figures that a name stands for on this computer."""
    try:
        return str(ipaddress.ip_address(name))
    except ValueError:
        pass
    try:
        found = socket.getaddrinfo(name, None, type=socket.SOCK_STREAM)
    except (OSError, UnicodeError) as error:
        raise InputError(f"--page is {printable(text)!r}, which is no address; {_accepted()}") from error
    return str(found[0][4][0])


def _try(address: PageAddress, text: str) -> None:
    """Listen there for a moment, so that what cannot be is said at once."""
    family = socket.AF_INET6 if ":" in address.host else socket.AF_INET
    with socket.socket(family, socket.SOCK_STREAM) as tried:
        if os.name == "posix":  # elsewhere it would share an address with another program
            tried.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            tried.bind((address.host, address.port))
            tried.listen(1)
        except OSError as error:
            where = with_port(address.host, address.port)
            said = f"--page {printable(text)}: {where} cannot be used ({error.strerror or error})"
            raise InputError(f"{said}; {_accepted()}") from error
