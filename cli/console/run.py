"""One run of `thumbline live`: the processes are started, looked at, shown, and ended, whatever ends it."""

import contextlib
import signal
import time
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field
from functools import partial
from importlib.metadata import version
from pathlib import Path
from queue import Empty, SimpleQueue
from types import FrameType
from typing import Any, Protocol

from thumbline.cli.console.child_processes import Backstage
from thumbline.cli.console.full_screen import ScreenReport
from thumbline.cli.console.keys import Keyboard
from thumbline.cli.console.listener import Listener
from thumbline.cli.console.make_memory import create
from thumbline.cli.console.notices import News, Notice, Watch, channel_notices
from thumbline.cli.console.reports import Report, summary
from thumbline.cli.console.rig_fit import PATIENCE_S, FitCheck
from thumbline.cli.console.routing import make_routing
from thumbline.cli.console.supervision import Outcome, Supervision
from thumbline.cli.keeper.orders import write_orders
from thumbline.cli.recorder.recording import Recording
from thumbline.cli.shared.live_memory import encoded
from thumbline.cli.songs.songs import Songs
from thumbline.cli.songs.wishes import Wishes, in_order
from thumbline.dsp.files.growing_wav import Bits
from thumbline.dsp.memory.record_type import Record
from thumbline.dsp.rig.model import Rig

#: Looks at the memory per second with a screen ...
SCREEN_HZ = 15.0
#: ... and without.
LINES_HZ = 50.0
#: The signals of a polite end, beside the terminal's Ctrl-C.
TOLD_TO_END = [number for name in ("SIGTERM", "SIGHUP") if (number := getattr(signal, name, None)) is not None]


class Page(Protocol):
    """The stage page as a run sees it (``thumbline.cli.page.stand``)."""

    @property
    def words(self) -> str:
        """Where it is, and the code that lets one more screen in."""
        ...

    def start(self, ask: Callable[[str, int], None]) -> None:
        """Begin; what somebody touches is asked for by ``ask``, from a thread of its own."""
        ...

    def look(self) -> Iterable[Notice]:
        """Return what is wrong with it, or right again, and see to it."""
        ...

    def happened(self) -> list[dict[str, Any]]:
        """Return events since the last call."""
        ...

    def use(self, settings: list[tuple[str, Rig]]) -> None:
        """Go by changed settings."""
        ...

    def stop(self) -> None:
        """End it."""
        ...


@dataclass
class RunOptions:
    """What the command line asks for."""

    settings: list[tuple[str, Rig]]
    input_device: str
    output_device: str
    take: str
    rate: int
    block: int
    patience_s: float
    sound: bool  #: whether it begins with the sound on
    set_file: Path | None = None  #: where the settings came from, and what is set is saved into
    rig_file: Path | None = None  #: the same without a set
    keep: Path | None = None  #: where to keep what is played
    keep_bits: Bits = 32
    page: Page | None = None  #: the stage page
    wait_s: float = 0.0  #: a device or port that is missing at the start is waited for this long
    told: SimpleQueue[Notice] = field(default_factory=SimpleQueue)


class _ToldToEndError(Exception):
    """A signal said so."""


def _told_to_end(number: int, frame: FrameType | None) -> None:
    for each in (signal.SIGINT, *TOLD_TO_END):  # once is enough: what follows is putting things away
        signal.signal(each, signal.SIG_IGN)
    if number == signal.SIGINT:
        raise KeyboardInterrupt
    raise _ToldToEndError(signal.Signals(number).name)


def play(
    options: RunOptions,
    backstage: Backstage,
    report: Report,
    keyboard: Keyboard | None = None,
    screen: ScreenReport | None = None,
) -> Outcome:
    """Run until the player, the end of the take, a signal or a fault ends it; then every string is unmuted.

    ``screen`` is the report if that is the full screen. Raises InputError for options that cannot be met.
    """
    rig = options.settings[0][1]
    routing = make_routing(
        rig.live.bass_outputs,
        rig.live.guitar_outputs,
        stereo=rig.guitar.stereo,
        bass_levels_db=rig.live.bass_levels_db,
        guitar_levels_db=rig.live.guitar_levels_db,
    )
    memory = backstage.memory
    record = create(
        memory,
        options.settings,
        rate=options.rate,
        block_frames=options.block,
        routing=routing,
        input_device=options.input_device,
        output_device=options.output_device,
        take=options.take,
        wait_s=options.wait_s,
        tape=options.keep is not None,
    )
    recording = _recording(options, memory, int(record.setup.inputs))
    write_orders(memory, [rig for _, rig in options.settings])
    fit = FitCheck(options.take, rig)
    supervision = Supervision(backstage, record, options.told.put, options.patience_s, options.wait_s)
    before = {number: signal.getsignal(number) for number in (signal.SIGINT, *TOLD_TO_END)}
    for number in before:
        signal.signal(number, _told_to_end)
    try:
        report.start(_start_event(options, memory))
        supervision.start()
        if recording is not None:
            recording.start()
        outcome = _loop(options, record, supervision, report, keyboard, screen, fit, recording)
    except KeyboardInterrupt:
        outcome = Outcome(0)
    except _ToldToEndError as error:
        outcome = Outcome(1, f"stopped by another program ({error}); every string is unmuted")
    finally:
        for number in before:
            signal.signal(number, signal.SIG_IGN)
        fit.stop()
        supervision.stop()
        if options.page is not None:
            options.page.stop()
        kept = None if recording is None else recording.finish(record)
        for number, handler in before.items():
            signal.signal(number, handler)
    if kept is not None:
        report.notice(Notice("recorder", kept, fault=False))
    report.stop(outcome.code, summary(record))
    return outcome


def _recording(options: RunOptions, memory: Path, inputs: int) -> Recording | None:
    if options.keep is None:
        return None
    return Recording(memory, options.keep, options.keep_bits, options.settings, options.rate, inputs)


def _loop(
    options: RunOptions,
    record: Record,
    supervision: Supervision,
    report: Report,
    keyboard: Keyboard | None,
    screen: ScreenReport | None,
    fit: FitCheck,
    recording: Recording | None = None,
) -> Outcome:
    """Look, listen, show and do as the keys say, until the player or something else ends it."""
    listener = Listener(record, options.settings)
    watch = Watch(record, options.settings[0][1].input.channels)
    changes = Changes(record, options.settings)
    songs = Songs(record, options.settings, options.rate, options.set_file, options.rig_file)
    wishes = Wishes(record, songs, lambda: listener.rig, sound=options.sound)
    page, news = options.page, News() if screen is None else screen.news
    if page is not None:
        page.start(wishes.ask)
    period = 1.0 / (LINES_HZ if screen is None else SCREEN_HZ)
    sounding_ns = 0
    next_s = time.monotonic()
    while True:
        ended = supervision.outcome
        if int(record.engine.first_block_ns) != sounding_ns and record.keeper.beat_ns:
            sounding_ns = int(record.engine.first_block_ns)  # a new engine begins silent
            record.request.sound_on = wishes.sound
            record.request.begin = 1
        events = listener.happened() + changes.happened() + (page.happened() if page is not None else [])
        report.events(events)
        waits_s = PATIENCE_S if ended is not None and ended.code == 0 else 0.0
        misfit = fit.look(begun=bool(sounding_ns), wait_s=waits_s)
        for notice in (*_notices(options, watch, songs, recording, record), *([misfit] if misfit else [])):
            report.notice(notice)
            if screen is None:
                news.tell(notice)
        if screen is None:
            for notice in channel_notices(events):
                news.tell(notice)
        now = news.now
        alarm = now is not None and now.fault
        headline = now.headline if now is not None and alarm else ""
        _publish(record, str(now or ""), headline, alarm=alarm)
        where = "" if page is None else page.words
        report.show(partial(listener.view, str(now or ""), alarm=alarm, headline=headline, page=where))
        if ended is not None:
            return ended
        next_s = max(next_s + period, time.monotonic())
        while True:  # keys are read at least once, however long it took to show things
            left = max(next_s - time.monotonic(), 0.0)
            if keyboard is None:
                time.sleep(left)
            for key in in_order(keyboard.wait(left)) if keyboard is not None else "":
                if screen is not None:
                    screen.go_on()
                if not wishes.press(key):
                    return Outcome(0)
            if time.monotonic() >= next_s:
                break


def _notices(
    options: RunOptions, watch: Watch, songs: Songs, recording: Recording | None, record: Record
) -> Iterator[Notice]:
    """Yield what the player should know and has not been told."""
    with contextlib.suppress(Empty):
        while True:
            yield options.told.get_nowait()
    yield from watch.look()
    for saved in songs.look(time.monotonic()):
        if options.page is not None:
            options.page.use(options.settings)
        yield Notice("save", saved.text, fault=saved.fault)
    for told in recording.look(record) if recording is not None else ():
        yield Notice("recorder", *told)
    if options.page is not None:
        yield from options.page.look()


def _publish(record: Record, news: str, headline: str, *, alarm: bool) -> None:
    """Have other processes know what the screen says."""
    console, text = record.console, encoded(news, 512)
    if bytes(console.news) != text:
        console.news, console.headline, console.alarm = text, encoded(headline, 32), alarm


class Changes:
    """Tells when the song, the mutes as sent, or the engine's state have changed."""

    def __init__(self, record: Record, settings: list[tuple[str, Rig]]):
        self._record, self._settings = record, settings
        self._muted: list[int] = []
        self._setting = 0
        self._first_block_ns = 0

    def happened(self) -> list[dict[str, Any]]:
        """Return events since the last call."""
        engine = self._record.engine
        time_s = round(int(engine.frames) / max(float(engine.rate), 1.0), 5)
        found: list[dict[str, Any]] = []
        if (first_ns := int(engine.first_block_ns)) and first_ns != self._first_block_ns:
            self._first_block_ns = first_ns
            latencies = {"in_ms": float(engine.input_latency_s), "out_ms": float(engine.output_latency_s)}
            known = {name: round(1e3 * seconds, 2) for name, seconds in latencies.items() if seconds}
            found.append({"event": "playing", "time_s": time_s} | known)
        if int(engine.setting) != self._setting:
            self._setting = int(engine.setting)
            name = self._settings[self._setting][0]
            found.append({"event": "song", "time_s": time_s, "number": self._setting + 1, "name": name})
        muted = [s + 1 for s, closed in enumerate(self._record.keeper.closed) if closed]
        if muted != self._muted:
            self._muted = muted
            found.append({"event": "mutes", "time_s": time_s, "muted": muted})
        return found


def _start_event(options: RunOptions, memory: Path) -> dict[str, Any]:
    return {
        "version": version("thumbline"),
        "memory": str(memory),
        "songs": [name for name, _ in options.settings],
        "strings": list(options.settings[0][1].instrument.strings),
        "rate": options.rate,
        "block_frames": options.block,
    }
