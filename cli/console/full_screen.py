"""The full screen of `thumbline live`."""

import time
from collections.abc import Callable
from typing import Any, Self

from rich.console import Console
from rich.live import Live

from thumbline.cli.console.cautions import first_screen
from thumbline.cli.console.glyphs import huge
from thumbline.cli.console.notices import FAULT_S, News, Notice, channel_notices
from thumbline.cli.console.reports import Summary
from thumbline.cli.console.screen import screen
from thumbline.cli.console.view import View
from thumbline.cli.tuning.tuner_screen import tuner_screen


class ScreenReport:
    """Draws the view on the whole terminal; a context manager.

    With ``cautions`` it shows those first, until a key is pressed (:meth:`go_on`).
    """

    def __init__(self, *, cautions: bool = False) -> None:
        self._cautions = cautions
        self._console = Console(highlight=False)
        self._screen = Live(console=self._console, screen=True, auto_refresh=False, redirect_stderr=False)
        self._plain_characters = not (self._console.encoding or "").lower().startswith("utf")
        self.news = News()  #: what is shown at the moment
        if not cautions:
            self.news.tell(Notice("caution", "Ears: begin with the amplifier turned down", fault=False), FAULT_S)
        self._told: list[str] = []

    def __enter__(self) -> Self:
        self._screen.__enter__()
        return self

    def __exit__(self, *error: Any) -> None:
        self._screen.__exit__(*error)
        for line in self._told:  # the screen has gone: what was wrong stays readable
            self._console.print(line, markup=False)

    def start(self, event: dict[str, Any]) -> None:  # noqa: D102
        pass

    def events(self, events: list[dict[str, Any]]) -> None:  # noqa: D102
        for notice in channel_notices(events):
            self.notice(notice)

    def notice(self, notice: Notice) -> None:  # noqa: D102
        self.news.tell(notice)
        self._told.append(f"{time.strftime('%H:%M:%S')}  {notice}")

    def go_on(self) -> None:
        """Leave the cautions: a key has been pressed."""
        self._cautions = False

    def show(self, view: Callable[[], View]) -> None:  # noqa: D102
        width, height = self._console.size
        if self._cautions:
            drawn = first_screen(view(), width, height)
        else:
            seen, plain = view(), self._plain_characters
            if seen.tuner is not None:
                drawn = tuner_screen(seen.tuner, width, height, huge, plain_characters=plain)
            else:
                drawn = screen(seen, width, height, plain_characters=plain)
        self._screen.update(drawn, refresh=True)

    def stop(self, code: int, figures: Summary) -> None:  # noqa: D102
        self._told.append(str(figures))
