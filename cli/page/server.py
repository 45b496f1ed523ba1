"""The server: the document for whoever asks properly, and a socket for screens that are let in.

Only a request whose Host is an address of this computer (`address.hosts`) is answered, and a socket opens only where
Origin is the same. Everything that is shown or done goes through the socket, and the first thing said there must be a
code or a ticket.
"""

import asyncio
import json
import logging
from http import HTTPStatus
from typing import Any

from websockets.asyncio.server import Server, ServerConnection, serve
from websockets.datastructures import Headers
from websockets.exceptions import ConnectionClosed
from websockets.http11 import Request, Response

from thumbline.cli.page.address import PageAddress, hosts
from thumbline.cli.page.crowd import Crowd, address_of, counted_by
from thumbline.cli.page.document import Document
from thumbline.cli.page.guard import Buckets, Door, TooManyError
from thumbline.cli.page.screens import POLICY, Screens

#: The socket's path.
SOCKET = "/stage"
#: Requests of one address at once, and more per second.
REQUESTS, REQUESTS_PER_S = 40.0, 4.0
#: A request must be whole and its answer read, the code said, and a socket closed, within so many seconds.
OPEN_S, CODE_S, CLOSE_S = 8.0, 5.0, 5.0
#: A screen that does not answer is asked this often and hung up on after so long, in seconds.
PING_S, SILENT_S = 5.0, 10.0
#: The longest message that a screen sends, in bytes.
LONGEST = 512


class PageServer:
    """Serves the document and the screens."""

    def __init__(self, address: PageAddress, door: Door, screens: Screens) -> None:
        self._address, self._door, self._screens = address, door, screens
        self._document = Document()
        self._requests = Buckets(REQUESTS, REQUESTS_PER_S)

    def listen(self) -> Server:
        """Return the server, a context manager that listens while it is open. Raises OSError if it cannot."""
        nobody = logging.Logger("page")  # what strangers send is not worth a line on a disk
        nobody.disabled = True
        return serve(
            self._serve,
            self._address.host,
            self._address.port,
            process_request=self._answer,
            server_header=None,
            compression=None,
            open_timeout=OPEN_S,
            ping_interval=PING_S,
            ping_timeout=SILENT_S,
            close_timeout=CLOSE_S,
            max_size=LONGEST,
            max_queue=4,
            logger=nobody,
            create_connection=counted_by(Crowd()),
        )

    def _answer(self, connection: ServerConnection, request: Request) -> Response | None:
        """Answer a request; None lets the socket open."""
        asked, accepted = request.headers.get_all("Host"), hosts(self._address, connection.local_address[0])
        if len(asked) != 1 or asked[0].lower() not in accepted:
            return _refusal(HTTPStatus.MISDIRECTED_REQUEST, "Host is not an address of this computer.")
        if not self._requests.of(address_of(connection.transport)).take():
            return _refusal(HTTPStatus.TOO_MANY_REQUESTS, "Too many requests.")
        if request.path == SOCKET:
            if request.headers.get_all("Origin") != [f"http://{asked[0].lower()}"]:
                return _refusal(HTTPStatus.FORBIDDEN, "Origin is not this page.")
            return None
        if request.path == "/":
            headers = Headers(self._document.headers(asked[0].lower()))
            return Response(HTTPStatus.OK, "OK", headers, self._document.body)
        return _refusal(HTTPStatus.NOT_FOUND, "There is nothing here.")

    async def _serve(self, connection: ServerConnection) -> None:
        """Let a screen in, or not, and serve it."""
        try:
            async with asyncio.timeout(CODE_S):
                said = json.loads(await connection.recv())
        except (TimeoutError, ConnectionClosed, ValueError, RecursionError):
            await connection.close(POLICY)
            return
        answer = self._let_in(said, address_of(connection.transport))
        await connection.send(json.dumps(answer))
        if "refused" in answer:
            await connection.close(POLICY)
        else:
            await self._screens.serve(connection)

    def _let_in(self, said: Any, address: str) -> dict[str, Any]:
        """Return what is answered to the first message."""
        code, ticket = (said.get(name) if isinstance(said, dict) else None for name in ("code", "ticket"))
        if isinstance(ticket, str):
            return {"in": True} if self._door.knows(ticket) else {"refused": "ticket"}
        if not isinstance(code, str):
            return {"refused": "nothing"}
        try:
            ticket = self._door.enter(code, address)
        except TooManyError:
            return {"refused": "locked" if self._door.is_locked else "too many"}
        return {"in": True, "ticket": ticket} if ticket else {"refused": "code"}


def _refusal(status: HTTPStatus, text: str) -> Response:
    body = f"{text}\n".encode()
    headers = Headers(
        [
            ("Content-Type", "text/plain; charset=utf-8"),
            ("Content-Length", str(len(body))),
            ("X-Content-Type-Options", "nosniff"),
            ("Connection", "close"),
        ]
    )
    return Response(status, status.phrase, headers, body)
