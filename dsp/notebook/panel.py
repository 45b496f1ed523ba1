"""The controls of the tuning notebook: sliders that move a rig, and what follows from them.

A change is answered with new decisions, the picture and the reasons; sound is made when it is asked for. Every control
is an attribute and may be set from code, as in a test. The picture, the reasons and the players are plain outputs, so a
document made from the notebook shows them as they were when it was run.
"""

import asyncio
from html import escape
from pathlib import Path
from typing import Any

import ipywidgets as widgets
from IPython.display import DisplayHandle, Markdown, display

from thumbline.dsp.errors import InputError, printable
from thumbline.dsp.notebook.explain import Explanation, string_name
from thumbline.dsp.notebook.figures import Picture
from thumbline.dsp.notebook.lanes import LanesPicture, picture_lanes
from thumbline.dsp.notebook.places import Place, places
from thumbline.dsp.notebook.players import Players, players
from thumbline.dsp.notebook.save_tuned import save_tuned, tuned_name
from thumbline.dsp.notebook.sliders import BESIDE, CONTROLS, NAMED, LogSlider, Slider
from thumbline.dsp.notebook.styles import AS_IN_THE_RIG, STYLES, start_for
from thumbline.dsp.notebook.workbench import Decisions, Workbench
from thumbline.dsp.rig.adjustment import Adjustment, adjusted, everywhere
from thumbline.dsp.rig.model import Rig

#: How far the thresholds may be moved, in dB, and the longest wait, in ms.
MOST_DB, MOST_SETTLE_MS, MOST_PROOF_MS, MOST_HOLD_MS = 36.0, 50.0, 60.0, 500.0
#: A drag is answered when the slider has rested, or moved, for so long, in seconds; what it passed is skipped.
RESTS_S, MOVES_S = 0.03, 0.25
ALL, NOWHERE = 0, -1
_WIDE = widgets.Layout(width="auto")
_STYLE = {"description_width": "170px"}


class TuningPanel:
    """Controls for one take on the bench. ``show`` puts them into a notebook."""

    def __init__(self, bench: Workbench, moment_s: float = 0.0) -> None:
        self.bench = bench
        rig = bench.rig
        numbers = range(1, rig.string_count + 1)
        self._on_db, self._off_db = dict.fromkeys(numbers, 0.0), dict.fromkeys(numbers, 0.0)
        names = [("all strings", ALL), *((string_name(rig, number), number) for number in numbers)]
        self.style = widgets.Dropdown(
            options=[AS_IN_THE_RIG, *STYLES], description="way of playing", style=_STYLE, layout=_WIDE
        )
        self.string = widgets.Dropdown(options=names, description="strings to move", style=_STYLE, layout=_WIDE)
        self.on = self._slider("begin to sound (on), dB", -MOST_DB, MOST_DB, 0.5, 0.0)
        self.off = self._slider("fall silent (off), dB", -MOST_DB, MOST_DB, 0.5, 0.0)
        longest_ms = max(MOST_SETTLE_MS, rig.choice.settle_ms)
        self.settle = self._slider("wait for a strum, ms", 0.0, longest_ms, 0.5, rig.choice.settle_ms, ".1f")
        self.hold = self._slider(
            "shortest time with the bass, ms",
            0.0,
            max(MOST_HOLD_MS, rig.choice.shortest_ms),
            5.0,
            rig.choice.shortest_ms,
            ".0f",
        )
        self.proof = self._slider(
            "listen first (proof), ms", 0.0, max(MOST_PROOF_MS, rig.choice.proof_ms), 0.5, rig.choice.proof_ms, ".1f"
        )
        self.strictness = LogSlider(
            rig.detect.strictness,
            min=-1.0,
            max=1.0,
            step=0.05,
            description="every touch ... only clear notes",
            readout_format=".2f",
            style=_STYLE,
            layout=_WIDE,
        )
        self.moment = self._slider("moment, s", 0.0, max(bench.seconds, 0.01), 0.005, moment_s, ".3f")
        self.place = widgets.Dropdown(description="go to", style=_STYLE, layout=_WIDE)
        self.previous = widgets.Button(description="previous", tooltip="the place before in the list")
        self.next = widgets.Button(description="next", tooltip="the next place in the list")
        spans = [("the whole take", 0.0), ("4 s around the moment", 4.0), ("1 s around the moment", 1.0)]
        self.zoom = widgets.Dropdown(options=spans, description="show", style=_STYLE, layout=_WIDE)
        self.why = widgets.HTML()
        self.back = widgets.Button(description="reset", tooltip="undo every move")
        self.listen = widgets.Button(description="listen", tooltip="make the sound anew, as it is tuned now")
        take = Path(bench.name) if bench.take_path is None else bench.take_path
        self.path = widgets.Text(
            str(tuned_name(take, bench.rig_path)), description="save as", style=_STYLE, layout=_WIDE
        )
        self.save = widgets.Button(description="save the rig", tooltip="comments and other settings stay")
        self.said = widgets.HTML()
        self.picture: Picture | None = None
        self.explanation: Explanation | None = None
        self.decisions: Decisions | None = None
        self.players: Players | None = None
        self._lanes = LanesPicture(rig, bench.levels(), bench.seconds)
        self._due: asyncio.TimerHandle | None = None
        self._due_since_s = 0.0
        if bench.seconds < bench.whole_s - 0.01:
            end_s = bench.start_s + bench.seconds
            self._say(f"Shown is {bench.start_s:g} to {end_s:g} s of a take of {bench.whole_s:.0f} s.")
        self._handles: dict[str, DisplayHandle] = {}
        self._quiet = False
        self._places: list[Place] = []
        self._connect()
        self._answer()

    def _slider(self, words: str, low: float, high: float, step: float, value: float, shown: str = "+.1f") -> Slider:
        return Slider(
            value, min=low, max=high, step=step, description=words, readout_format=shown, style=_STYLE, layout=_WIDE
        )

    def _connect(self) -> None:
        self.string.observe(self._show_string, "value")
        for slider in (self.on, self.off):
            slider.observe(self._move_threshold, "value")
        for control in (self.settle, self.hold, self.proof, self.strictness, self.moment, self.zoom):
            control.observe(self._moved, "value")
        self.previous.on_click(lambda _: self._step(-1))
        self.next.on_click(lambda _: self._step(1))
        self.place.observe(self._go, "value")
        self.back.on_click(self._go_back)
        self.style.observe(self._begin_with, "value")
        self.listen.on_click(self._make_sound)
        self.save.on_click(self._save)

    def _begin_with(self, change: Any) -> None:
        start = start_for(change["new"], self.bench.rig)
        for slider, value in zip((self.strictness, self.proof, self.settle, self.hold), start, strict=True):
            slider.value = value

    @property
    def rig(self) -> Rig:
        """The rig as the controls have it."""
        return adjusted(
            self.bench.rig,
            Adjustment(
                self._on_db,
                self._off_db,
                settle_ms=self.settle.value,
                shortest_ms=self.hold.value,
                proof_ms=self.proof.value,
                strictness=round(self.strictness.value, 3),
            ),
        )

    def show(self) -> None:
        """Put the controls into the notebook, and below them the picture and the reasons."""
        if self.bench.misfit:
            display(Markdown(f"**The rig does not fit this take: {self.bench.misfit}. Calibrate this guitar again.**"))
        controls = widgets.VBox(
            [
                self.style,
                self.string,
                widgets.HBox([self.back]),
                self.on,
                self.off,
                self.strictness,
                self.proof,
                self.settle,
                self.hold,
                self.moment,
                self.place,
                widgets.HBox([self.previous, self.next]),
                self.why,
                self.zoom,
                self.path,
                widgets.HBox([self.save]),
                self.said,
                widgets.HTML(BESIDE),
            ]
        )
        controls.add_class(CONTROLS)
        self._display_controls(controls, "Controls (they move in JupyterLab): " + self._in_words())
        for name, shown in (("picture", self.picture), ("explanation", self.explanation)):
            self._handles[name] = DisplayHandle()
            self._handles[name].display(shown)

    def show_sound(self) -> None:
        """Put players of bass and remainder into the notebook, with a button that makes them anew."""
        self._display_controls(self.listen, "Button (in JupyterLab): make the sound anew, as it is tuned now")
        self.players = players(self.bench.sound(self.rig))
        self._handles["players"] = DisplayHandle()
        self._handles["players"].display(self.players)

    def _display_controls(self, controls: widgets.Widget, words: str) -> None:
        """Display widgets, with words in their place where no widget can be shown."""
        bundle: Any = controls._repr_mimebundle_()
        display({**bundle, "text/plain": words}, raw=True)
        display(NAMED)

    def move(
        self,
        string: int = ALL,
        *,
        on: float | None = None,
        off: float | None = None,
        settle: float | None = None,
        strictness: float | None = None,
        proof: float | None = None,
        hold: float | None = None,
        moment: float | None = None,
    ) -> None:
        """Set the controls from code and answer once; controls that are not given stay where they are."""
        self._quiet = True
        self.string.value = string
        given = (
            (self.on, on),
            (self.off, off),
            (self.settle, settle),
            (self.strictness, strictness),
            (self.proof, proof),
            (self.hold, hold),
            (self.moment, moment),
        )
        for slider, value in given:
            if value is not None:
                slider.value = value
        self._quiet = False
        self._answer()

    def _show_string(self, _: Any = None) -> None:
        """Show the offsets of the string that is chosen, without moving anything."""
        quiet, self._quiet = self._quiet, True
        chosen = self.string.value or 1
        self.on.unobserve(self._move_threshold, "value")
        self.off.unobserve(self._move_threshold, "value")
        self.on.value, self.off.value = self._on_db[chosen], self._off_db[chosen]
        self.on.observe(self._move_threshold, "value")
        self.off.observe(self._move_threshold, "value")
        self._quiet = quiet

    def _move_threshold(self, change: Any) -> None:
        offsets = self._on_db if change["owner"] is self.on else self._off_db
        for string in offsets if self.string.value == ALL else (int(self.string.value or 1),):
            offsets[string] = float(change["new"])
        self._moved(change)

    def _moved(self, change: Any) -> None:
        """Answer a control that has moved: at once if by code; if by hand soon, with what comes meanwhile."""
        if self._quiet:
            return
        if not getattr(change["owner"], "by_hand", False):
            self._answer()
            return
        loop = asyncio.get_event_loop()
        now_s = loop.time()
        if self._due is None:
            self._due_since_s = now_s
        else:
            self._due.cancel()
        wait_s = max(min(RESTS_S, self._due_since_s + MOVES_S - now_s), 0.0)
        self._due = loop.call_later(wait_s, self._answer)

    def _answer(self) -> None:
        """Decide anew, and show what came of it."""
        if self._due is not None:
            self._due.cancel()
            self._due = None
        try:
            self.decisions, self.explanation = self.bench.look(self.rig, self.moment.value)
        except InputError as error:
            self._say(str(error))
            return
        self.picture = self._view().draw(self.decisions, self.bench.reference, self.moment.value)
        self._list_places(self.decisions)
        self._update("picture", self.picture)
        self._update("explanation", self.explanation)

    def _view(self) -> LanesPicture:
        """Return what draws the whole take, or the part around the moment."""
        span_s = min(float(self.zoom.value or 0.0), self.bench.seconds)
        if not span_s:
            return self._lanes
        begin_s = min(max(self.moment.value - span_s / 2, 0.0), self.bench.seconds - span_s)
        return LanesPicture(self.bench.rig, self.bench.levels(), span_s, begin_s)

    def _update(self, name: str, shown: object) -> None:
        if name in self._handles:
            self._handles[name].update(shown)

    def _list_places(self, decisions: Decisions) -> None:
        self._places = places(decisions)
        options = [("a place in the take ...", NOWHERE)]
        options += [(each.words, index) for index, each in enumerate(self._places)]
        if tuple(options) != tuple(self.place.options):
            quiet, self._quiet = self._quiet, True
            self.place.options = options
            self.place.value = NOWHERE
            self._quiet = quiet

    def _go(self, change: Any) -> None:
        if self._quiet or change["new"] is None or change["new"] == NOWHERE:
            return
        place = self._places[change["new"]]
        self.moment.value = min(place.moment_s, self.bench.seconds)
        self.why.value = "" if place.note is None else escape(self.bench.why(self.rig, place.note).words)

    def _step(self, by: int) -> None:
        """Go to the place before or after in the list."""
        index = int(NOWHERE if self.place.value is None else self.place.value) + by
        if 0 <= index < len(self._places):
            self.place.value = index

    def _go_back(self, _: Any = None) -> None:
        for offsets in (self._on_db, self._off_db):
            offsets.update(dict.fromkeys(offsets, 0.0))
        loaded = self.bench.rig
        self.move(
            int(self.string.value or ALL),
            on=0.0,
            off=0.0,
            settle=loaded.choice.settle_ms,
            strictness=loaded.detect.strictness,
            proof=loaded.choice.proof_ms,
            hold=loaded.choice.shortest_ms,
        )

    def _make_sound(self, _: Any = None) -> None:
        self.players = players(self.bench.sound(self.rig))
        self._update("players", self.players)

    def _save(self, _: Any = None) -> None:
        target = Path(self.path.value.strip()).expanduser()
        why = f"tuned in the notebook on {printable(self.bench.name)}"
        try:
            changed = save_tuned(target, self.rig, self.bench.rig, self.bench.rig_path, why)
        except InputError as error:
            self._say(str(error))
            return
        self._say(f"Saved {printable(target)}: {', '.join(changed) or 'nothing'} changed, all else as it was.")

    def _say(self, words: str) -> None:
        self.said.value = escape(words)

    def _in_words(self) -> str:
        moved = [
            f"{word} {value:+g} dB on string {string}"
            for word, offsets in (("on", self._on_db), ("off", self._off_db))
            for string, value in offsets.items()
            if value
        ]
        return f"{', '.join(moved) or 'thresholds as loaded'}; wait {self.settle.value:g} ms; {self.moment.value:.3f} s"


def show_first_mistake(bench: Workbench, *, on: float = 0.0, off: float = 0.0) -> None:
    """Show the picture and the reasons at the first wrong place, if every string's thresholds were moved so far."""
    rig = adjusted(bench.rig, Adjustment(everywhere(bench.rig, on), everywhere(bench.rig, off)))
    mistakes = bench.decisions(rig).mistakes
    moment_s = (mistakes[0].begin_s + mistakes[0].end_s) / 2 if mistakes else 0.0
    display(picture_lanes(bench, rig, moment_s), bench.explain(rig, moment_s))
