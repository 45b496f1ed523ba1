"""Listens to the shared memory of `thumbline live`: the sound now, and the events since the last look."""

import math
import time
from collections.abc import Sequence
from typing import Any

import numpy as np

from thumbline.cli.console.feet_now import what_feet_do
from thumbline.cli.console.view import SILENCE_DB, EngineView, MidiView, StringView, View
from thumbline.cli.shared.live_memory import percentile_ns
from thumbline.cli.songs.wishes import character_of
from thumbline.cli.tuning.tuner_view import TunerListener
from thumbline.dsp.decibels import amplitude_db, power_db, power_of
from thumbline.dsp.live.record import ENDED, FAULT, PLAYING, READY
from thumbline.dsp.memory.events import BY_PLUCK, END, HANDOVER, LOCK, NOTE, PITCH, PLUCK, take_events
from thumbline.dsp.memory.events import FAULT as CHANNEL_FAULT
from thumbline.dsp.memory.record_type import Record
from thumbline.dsp.memory.records import ANALYSIS_STEP, SILENT
from thumbline.dsp.midi.foot_controller import Controls, bind
from thumbline.dsp.note_names import hz_to_midi, midi_to_note
from thumbline.dsp.rig.model import Rig

#: A shown level falls no faster than this, so that the eye can follow, in dB per second.
FALL_DB_S = 60.0
#: A note that has ended stays on the screen for this time, in seconds: a short one begins and ends between two looks.
SHOWN_S = 0.15
#: The typical block's work is measured anew this often, in nanoseconds.
WORK_SPAN_NS = 1_000_000_000

_ENGINE_WORDS = {READY: "ready", PLAYING: "playing", ENDED: "ended", FAULT: "NO SOUND"}
_KEEPER_WORDS = {READY: "ready", PLAYING: "sending", ENDED: "ended", FAULT: "fault"}


class Listener:
    """Reads the memory; writes nothing to it.

    Parameters
    ----------
    live
        The shared record.
    settings
        Name and rig of each song, as they were given to ``live_memory.create``.
    """

    def __init__(self, live: Record, settings: Sequence[tuple[str, Rig]]):
        self._live = live
        self._settings = settings
        self._feet = [bind(foot) for foot in settings[0][1].feet]
        self._read = 0
        count = settings[0][1].string_count
        self._hz = [0.0] * count
        #: Pitch of each string's last note, and when it ended: in seconds of the signal, and by the clock when told.
        self._last_hz = [0.0] * count
        self._ended = [(-math.inf, -math.inf)] * count
        self._last_bass = 0
        self._levels = np.full(count, SILENCE_DB)
        self._levels_ns = time.monotonic_ns()
        self._bins = np.zeros(len(live.engine.work_bins), np.int64)
        self._bins_ns = 0
        self._work_ns = 0.0
        self._tuner = TunerListener(live)

    @property
    def rig(self) -> Rig:
        """The rig of the song in force."""
        return self._settings[int(self._live.engine.setting)][1]

    def happened(self) -> list[dict[str, Any]]:
        """Events since the last call, in order, as plain values; ``time_s`` counts from the engine's first frame."""
        if int(self._live.state["events_written"]) < self._read:  # the engine was started afresh
            self._read = 0
        events, self._read = take_events(self._live.state, self._read)
        rate = max(float(self._live.engine.rate), 1.0)
        told = (self._tell(rate, *event) for event in events.tolist())
        return [event for event in told if event is not None]

    def _tell(
        self, rate: float, frame: int, decided: int, kind: int, string: int, value: float, extra: float, level: float
    ) -> dict[str, Any] | None:
        event: dict[str, Any] = {"event": "", "time_s": round(frame / rate, 5), "string": string}
        if kind in (LOCK, PITCH, NOTE):
            self._hz[string - 1] = value
        if kind == PLUCK:
            self._hz[string - 1] = 0.0
            self._ended[string - 1] = (-math.inf, -math.inf)
            return event | {"event": "pluck", "level_db": round(value, 1)}
        if kind == NOTE:
            name, cents = self._named(value)
            return event | {"event": "note", "note": name, "cents": round(cents, 1), "hz": round(value, 2)}
        if kind == END:
            if level:
                self._last_hz[string - 1] = value
                self._ended[string - 1] = (decided / rate, time.monotonic())
            self._hz[string - 1] = 0.0
            return event | {"event": "end", "was_note": bool(level)}
        if kind == HANDOVER:
            cause = "pluck" if extra == BY_PLUCK else "other"
            self._last_bass = string or int(value)
            return event | {
                "event": "handover",
                "from": int(value),
                "cause": cause,
                "decided_s": round(decided / rate, 5),
            }
        if kind == CHANNEL_FAULT:
            return {"event": "channel fault", "time_s": event["time_s"], "channel": int(value)}
        return None  # pitch reports: too many to tell

    def _named(self, hz: float) -> tuple[str, float]:
        midi = hz_to_midi(hz, self.rig.instrument.a4_hz)
        return (midi_to_note(midi), 100.0 * (midi - math.floor(midi + 0.5))) if math.isfinite(midi) else ("", 0.0)

    def view(self, notice: str = "", *, alarm: bool = False, headline: str = "", page: str = "") -> View:
        """Return what there is to see now. Call :meth:`happened` first, or pitches are old."""
        live = self._live
        engine, request, rig = live.engine, live.request, self.rig
        started = int(engine.first_block_ns)
        interval = float(request.interval)
        number, songs = int(engine.setting), [name for name, _ in self._settings]
        now = Controls(
            split=bool(request.split),
            hold=bool(request.hold),
            all_open=bool(request.all_open),
            bass_level_db=float(request.bass_level_db),
            tone_hz=float(request.tone_hz) or rig.bass.tone_hz,
            interval=rig.bass.interval if math.isnan(interval) else interval,
            setting=number,
            settings=len(songs),
        )
        return View(
            strings=tuple(self._strings()),
            engine=self._engine(),
            midi=self._midi(),
            song=songs[number],
            song_number=number + 1,
            song_count=len(songs),
            split=now.split,
            hold=now.hold,
            all_unmuted=now.all_open,
            bass_level_db=rig.bass.level_db + now.bass_level_db,
            tone_hz=now.tone_hz,
            interval=now.interval,
            elapsed_s=(time.monotonic_ns() - started) * 1e-9 if started else 0.0,
            done=min(int(engine.frames) / int(engine.take_frames), 1.0) if engine.take_frames else None,
            notice=notice,
            alarm=alarm,
            headline=headline,
            next_song=songs[(number + 1) % len(songs)] if len(songs) > 1 else "",
            feet=what_feet_do(self._feet, int(live.keeper.foot_down), now, songs),
            character=character_of(request, rig),
            tuner=self._tuner.view(rig),
            recording="" if not live.tape["length"] else "NOT REC" if live.recorder.fault else "REC",
            page=page,
        )

    def _strings(self) -> list[StringView]:
        state = self._live.state
        count = len(self._hz)
        power = np.maximum(np.maximum(state["level"], state["quick"])[:count] * ANALYSIS_STEP**2, power_of(SILENCE_DB))
        now = time.monotonic_ns()
        fallen = self._levels - FALL_DB_S * 1e-9 * (now - self._levels_ns)
        self._levels, self._levels_ns = np.maximum(power_db(power), fallen), now
        bass, rig = int(state["bass"]), self.rig
        strings = []
        for s in range(count):
            sounding = int(state["strings"][s]["phase"]) != SILENT
            lingers = not sounding and self._lingers(s)
            hz = self._last_hz[s] if lingers else self._hz[s]
            note, cents = self._named(hz) if (sounding or lingers) and hz > 0.0 else ("", 0.0)
            strings.append(
                StringView(
                    number=s + 1,
                    open_note=midi_to_note(float(rig.open_midi[s])),
                    level_db=float(self._levels[s]),
                    sounding=sounding,
                    note=note,
                    cents=cents,
                    bass=s == bass or (bass < 0 and lingers and s + 1 == self._last_bass),
                    muted=bool(self._live.keeper.closed[s]),
                )
            )
        return strings

    def _lingers(self, s: int) -> bool:
        """Whether the string's last note ended so little ago that the eye has not seen it."""
        signal_s, told_s = self._ended[s]
        now_s = int(self._live.engine.frames) / max(float(self._live.engine.rate), 1.0)
        return now_s - signal_s < SHOWN_S and time.monotonic() - told_s < SHOWN_S

    def _engine(self) -> EngineView:
        engine = self._live.engine
        now = time.monotonic_ns()
        if now - self._bins_ns > WORK_SPAN_NS:
            bins = np.array(engine.work_bins)
            new = bins - self._bins
            self._work_ns = percentile_ns(new if new.sum() > 0 and new.min() >= 0 else bins, 0.5)
            self._bins, self._bins_ns = bins, now
        into, out = float(engine.input_latency_s), float(engine.output_latency_s)
        used = np.flatnonzero(np.array(self._live.setup.routing).any(axis=1))
        return EngineView(
            status=_ENGINE_WORDS.get(int(engine.phase), "starting"),
            block_ms=1e3 * int(engine.block_frames) / max(float(engine.rate), 1.0),
            work_ms=1e-6 * self._work_ns,
            worst_ms=1e-6 * int(engine.work_worst_ns),
            missed=int(engine.missed),
            late=int(engine.late),
            latency_ms=1e3 * (into + out) if into and out else 0.0,
            sound_on=bool(self._live.request.sound_on),
            limiter_db=float(engine.limiter_db),
            peaks_db=tuple(amplitude_db(float(engine.output_peak[column]), 1e-6) for column in used),
            period_ms=1e3 * int(engine.period_frames) / max(float(engine.rate), 1.0),
        )

    def _midi(self) -> MidiView:
        keeper = self._live.keeper
        return MidiView(
            status=_KEEPER_WORDS.get(int(keeper.phase), "starting"),
            port=bytes(keeper.port).decode(errors="replace"),
            present=bool(keeper.port_present),
            wire_share=float(keeper.wire_share),
            sent=int(keeper.sent),
            wait_ms=1e-6 * int(keeper.wait_ns),
            worst_ms=1e-6 * int(keeper.wait_worst_ns),
            own=bool(keeper.port_own),
        )
