"""Connections, counted as they come: what is too much is hung up on before a byte of it is read."""

import asyncio
from collections import Counter
from typing import cast

from websockets.asyncio.server import ServerConnection

#: Connections at a time: of everybody, and of one address.
MOST, MOST_OF_ONE = 48, 16


class Crowd:
    """The connections of a server, by address."""

    def __init__(self) -> None:
        self._of: Counter[str] = Counter()

    def enter(self, address: str) -> bool:
        """Count one more; whether there is room for it."""
        self._of[address] += 1
        return self._of.total() <= MOST and self._of[address] <= MOST_OF_ONE

    def leave(self, address: str) -> None:
        """Count one less."""
        self._of[address] -= 1
        if not self._of[address]:
            del self._of[address]


def counted_by(crowd: Crowd) -> type[ServerConnection]:
    """Return the kind of connection that ``crowd`` counts."""

    class Counted(ServerConnection):
        """A connection that is hung up on where there is no room for it."""

        def connection_made(self, transport: asyncio.BaseTransport) -> None:
            super().connection_made(transport)
            self.address = address_of(transport)
            if not crowd.enter(self.address):
                cast("asyncio.Transport", transport).abort()

        def connection_lost(self, exc: Exception | None) -> None:
            crowd.leave(self.address)
            super().connection_lost(exc)

    return Counted


def address_of(transport: asyncio.BaseTransport) -> str:
    """Return who is at the other end; of IPv6 the part that one household has, for it may use all of the rest."""
    peer = transport.get_extra_info("peername")
    host = str(peer[0]) if peer else ""
    if host.startswith("::ffff:"):
        return host.removeprefix("::ffff:")
    if ":" in host:
        import ipaddress

        return str(ipaddress.ip_network(f"{host.split('%')[0]}/64", strict=False).network_address)
    return host
