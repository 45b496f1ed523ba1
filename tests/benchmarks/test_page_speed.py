"""How soon the stage page is there, and how soon it shows what has happened.

*First paint*: the browser's own figure (W3C Paint Timing, ``first-contentful-paint``: from the request on), of a page
that has not been loaded before, beside that of a bare page of one word from Python's own server in the same browser.

*On the wire*: from the moment at which a hand-over lies in the shared memory, as the engine has put it there, to the
moment at which a screen has read the view that tells of it; beside a bare message that goes there and back through the
same library. Benchmarks are in time of the clock, so what else the machine does counts.
"""

import threading
import time
from collections.abc import Iterator
from functools import partial
from http.server import SimpleHTTPRequestHandler, ThreadingHTTPServer
from typing import Any

import pytest
from websockets.sync.server import ServerConnection, serve

from tests.helpers.browser import chromium
from tests.helpers.page_room import PageRoom, a_page, free_port, note_hz, socket_to

ROUNDS = 15
PAINTED = "performance.getEntriesByName('first-contentful-paint')[0]?.startTime ?? 0"


@pytest.fixture(scope="module")
def room(tmp_path_factory: pytest.TempPathFactory) -> Iterator[PageRoom]:
    with a_page(tmp_path_factory.mktemp("page")) as room:
        yield room


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    with chromium() as browser:
        yield browser


@pytest.fixture(scope="module")
def bare(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    folder = tmp_path_factory.mktemp("bare")
    (folder / "index.html").write_text("<!doctype html><title>bare</title><p>word")

    class Quiet(SimpleHTTPRequestHandler):
        def log_message(self, format: str, *args: object) -> None:  # noqa: A002 (the library's word)
            pass

    with ThreadingHTTPServer(("127.0.0.1", 0), partial(Quiet, directory=str(folder))) as server:
        threading.Thread(target=server.serve_forever, daemon=True).start()
        yield f"http://127.0.0.1:{server.server_address[1]}/"
        server.shutdown()


@pytest.mark.benchmark(group="first paint")
@pytest.mark.parametrize("which", ["stage page", "bare page"])
def test_first_paint(benchmark: Any, room: PageRoom, browser: Any, bare: str, which: str) -> None:
    """The table shows opening and closing a browser's window too; the line below it the browser's own figure."""
    url, painted = room.url if which == "stage page" else bare, []

    def paint() -> None:
        context = browser.new_context(viewport={"width": 360, "height": 640})
        page = context.new_page()
        page.goto(url)
        while not (at := page.evaluate(PAINTED)):
            page.wait_for_timeout(10)
        painted.append(float(at))
        context.close()

    benchmark.pedantic(paint, rounds=ROUNDS, warmup_rounds=1)
    times = sorted(painted[1:])
    benchmark.extra_info["painted_ms"] = times
    print(f"\n{which}: first paint {times[ROUNDS // 2]:.0f} ms in the median, worst {times[-1]:.0f}")


@pytest.mark.benchmark(group="on the wire")
@pytest.mark.parametrize("screens", [1, 4])
def test_from_the_memory_to_a_screen(benchmark: Any, room: PageRoom, screens: int) -> None:
    shown = [room.screen() for _ in range(screens)]
    others = [threading.Thread(target=_keep_up, args=(each,), daemon=True) for each in shown[1:]]
    for each in others:
        each.start()
    turn = [0]

    def prepare() -> None:
        turn[0] += 1
        shown[0].view()
        time.sleep(0.0137 * (turn[0] % 5))  # at any moment of the page's own rhythm

    def change() -> None:
        note = ("E2", "F2")[turn[0] % 2]
        room.play(6, note_hz(40.0 + turn[0] % 2))
        while (shown[0].view()["bass"] or {}).get("note") != note:
            pass

    benchmark.pedantic(change, setup=prepare, rounds=60)
    for each in shown:
        each.close()
    room.silence()


def _keep_up(screen: Any) -> None:
    from websockets.exceptions import ConnectionClosed

    try:
        while True:
            screen.view()
    except (ConnectionClosed, OSError, ValueError, EOFError):
        pass


@pytest.mark.benchmark(group="on the wire")
def test_a_message_there_and_back_by_the_library_alone(benchmark: Any) -> None:
    def echo(connection: ServerConnection) -> None:
        for message in connection:
            connection.send(message)

    port = free_port()
    with serve(echo, "127.0.0.1", port) as server:
        threading.Thread(target=server.serve_forever, daemon=True).start()
        with socket_to(port) as client:

            def there_and_back() -> None:
                client.send("x" * 1500)
                client.recv(5)

            benchmark.pedantic(there_and_back, rounds=60, warmup_rounds=3)
        server.shutdown()
