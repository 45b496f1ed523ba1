"""The tracks of a practice set: which there are, what each is made of, and its sound."""

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from thumbline.dsp.beats.tempo import Beats
from thumbline.dsp.decibels import amplitude_of
from thumbline.dsp.practice.click import click_times, count_in, knocks, lead_frames, render_click
from thumbline.dsp.practice.loops import SEAM_S, Loop, early_start_s, with_faded_ends
from thumbline.dsp.practice.page_sound import PageStem
from thumbline.dsp.practice.parts import Sound, mixed, parts_at
from thumbline.dsp.practice.settings import MIXES, Click, PracticeSettings
from thumbline.dsp.practice.source import Source
from thumbline.dsp.sound.loudness import loudness_at_any_level

#: Peak of an accented click in a mix at -18 LUFS, in dBFS.
CLICK_PEAK_DB = -9.0
#: Peak of the click alone, in dBFS.
CLICK_STEM_PEAK_DB = -6.0
#: What is stretched beyond both ends of a loop, s.
MARGIN_S = 0.3


@dataclass(frozen=True)
class Track:
    """A file to be made, and all that its sound depends on besides the take."""

    name: str
    title: str
    part: str
    speed: float  #: percent; of a loop, that of the first repeat
    click: str
    gains_db: dict[str, float]
    lead: int = 0  #: frames before take time 0
    clicks: tuple[tuple[float, bool], ...] = ()  #: take time of each knock, and whether it is an accent
    loop: Loop | None = None
    passes: tuple[float, ...] = ()  #: speed of each repeat
    count_in_s: float = 0.0  #: before each repeat, at 100 %
    early_s: float = 0.0  #: how much before its bar line the loop is cut

    @property
    def factor(self) -> float:
        """How many times as long as the take."""
        return 100.0 / self.speed


@dataclass
class TrackRenderer:
    """A source with its beats and settings, and the balance that all tracks share."""

    source: Source
    beats: Beats
    settings: PracticeSettings
    threads: int = 1
    channels: int = 1
    #: Brings bass and guitar together to the loudness of the set, dB.
    balance_db: float = 0.0
    _parts: dict[float, tuple[Sound, Sound]] = field(default_factory=dict)

    def __post_init__(self) -> None:
        wide = self.settings.placement == "apart" or self.source.guitar.shape[1] == 2
        self.channels = 2 if wide else 1
        whole = mixed(self.source.bass.sound, self.source.guitar, (1.0, 1.0), self.channels, self._apart, 0)
        loudness = loudness_at_any_level(whole, self.source.rate)
        self.balance_db = self.settings.loudness_lufs - loudness if np.isfinite(loudness) else 0.0

    @property
    def _apart(self) -> bool:
        return self.settings.placement == "apart"

    @property
    def click_peak_db(self) -> float:
        """Peak of an accent in a mix that has been brought to the set's balance."""
        return CLICK_PEAK_DB + self.settings.loudness_lufs + 18.0 + self.settings.click_db

    def listed(self, loops: Sequence[Loop]) -> list[Track]:
        """Every track of the set, the click stems among them."""
        settings, beats, seconds = self.settings, self.beats, self.source.seconds
        tracks: list[Track] = []
        for speed in settings.speeds:
            at = f" at {speed:g} %" if speed != 100.0 else ""
            bpm = f", {beats.bpm * speed / 100:.0f} bpm" if beats.known else ""
            for mix in settings.mixes_at(speed):
                if mix == "both-click" and not beats.known:
                    continue
                click = self._click_in(mix)
                times = self._click_times(click)
                lead = lead_frames(times[0][0], 100.0 / speed, self.source.rate) if times else 0
                title = f"{self.source.name}: {MIXES[mix].title}{at}{bpm}"
                gains = self._gains_db(mix, click)
                tracks.append(Track(f"{mix}-{speed:g}", title, mix, speed, click, gains, lead, tuple(times)))
            if not beats.known:
                continue
            times = click_times(beats, seconds, settings.count_in_bars, True)
            lead = lead_frames(times[0][0], 100.0 / speed, self.source.rate) if times else 0
            title = f"{self.source.name}: click{at}{bpm}"
            tracks.append(
                Track(f"click-{speed:g}", title, "click", speed, "throughout", {"click": 0.0}, lead, tuple(times))
            )
        return tracks + [self._loop_track(loop) for loop in loops]

    def _click_in(self, mix: str) -> Click:
        return self.settings.click_in(mix) if self.beats.known else "off"

    def _click_times(self, click: str) -> list[tuple[float, bool]]:
        if click == "off":
            return []
        bars = self.settings.count_in_bars
        return click_times(self.beats, self.source.seconds, bars, click == "throughout")

    def _gains_db(self, mix: str, click: str) -> dict[str, float]:
        levels = {"bass": MIXES[mix].bass, "guitar": MIXES[mix].guitar}
        gains = {part: self.settings.gain_db(level) for part, level in levels.items() if level is not None}
        return gains | ({} if click == "off" else {"click": self.settings.click_db})

    def _loop_track(self, loop: Loop) -> Track:
        settings, beats = self.settings, self.beats
        passes = settings.ladder or (100.0,) * settings.repeats
        click = "off" if settings.gapless and settings.click == "count-in" else settings.click_in(settings.loop_mix)
        click = settings.click if settings.loop_mix in ("bass", "guitar") and not settings.gapless else click
        click = click if beats.known else "off"
        early = early_start_s(loop, self.source.notes)
        beat = int(np.searchsorted(beats.times_s, loop.start_s - 1e-6))
        pace = float(beats.times_s[beat + 1] - beats.times_s[beat])
        count = 0 if settings.gapless or click == "off" else settings.count_in_bars * beats.beats_per_bar
        times = [(loop.start_s - (count - i) * pace, i % beats.beats_per_bar == 0) for i in range(count)]
        if click == "throughout":
            inside = range(beat, len(beats.times_s))
            times += [
                (float(beats.times_s[i]), beats.position(i)[1] == 1)
                for i in inside
                if beats.times_s[i] < loop.end_s - 1e-6
            ]
        speeds = f"{passes[0]:g} to {passes[-1]:g} %" if settings.ladder else f"{len(passes)} times"
        return Track(
            name="loop-" + loop.name.replace(" ", "-"),
            title=f"{self.source.name}: {loop.name}, {speeds}, {MIXES[settings.loop_mix].title}",
            part="loop",
            speed=passes[0],
            click=click,
            gains_db=self._gains_db(settings.loop_mix, click),
            clicks=tuple(times),
            loop=loop,
            passes=passes,
            count_in_s=count * pace,
            early_s=early,
        )

    # -- sound ----------------------------------------------------------------------------------------------------

    def prepare(self, speed: float) -> None:
        """Stretch both parts to ``speed``, and let go of those of other speeds."""
        self._parts = {}
        self._parts = {speed: self._at(speed, None)}

    def _at(self, speed: float, span: tuple[int, int] | None) -> tuple[Sound, Sound]:
        return parts_at(
            self.source,
            speed,
            self.settings.transpose,
            by_string=self.settings.stretch == "strings",
            span=span,
            threads=self.threads,
        )

    def sound_of(self, track: Track) -> Sound:
        """Sound of a track, (frames, channels), at the set's balance, after ``prepare`` for its speed."""
        if track.loop:
            return self._loop_sound(track, track.loop)
        bass, guitar = self._parts[track.speed]
        placed = knocks(track.clicks, track.factor, track.lead, self.source.rate)
        if track.part == "click":
            last = max((knock.frame for knock in placed), default=0)
            frames = max(len(bass) + track.lead, last + self.source.rate // 4)
            return self._click(placed, frames, CLICK_STEM_PEAK_DB)
        out = mixed(bass, guitar, self._factors(track), self.channels, self._apart, track.lead)
        if placed:
            out += self._click(placed, len(out), self.click_peak_db)
        return out

    def page_stems(self) -> list[PageStem]:
        """Bass and guitar at full speed, as loud as they are in the mix of both."""
        bass, guitar = self._parts.get(100.0) or self._at(100.0, None)
        factor = amplitude_of(self.balance_db)
        rate = self.source.rate
        if self._apart:
            silent = np.zeros_like(bass)
            left = np.float32(factor) * np.stack([bass, silent], axis=1)
            right = np.float32(factor) * np.stack([silent, guitar.mean(axis=1)], axis=1)
            return [PageStem("bass", left, rate), PageStem("guitar", right, rate)]
        return [
            PageStem("bass", np.float32(factor) * bass[:, None], rate),
            PageStem("guitar", np.float32(factor) * guitar, rate),
        ]

    def _factors(self, track: Track) -> tuple[float | None, float | None]:
        def factor(part: str) -> float | None:
            gain_db = track.gains_db.get(part)
            return None if gain_db is None else amplitude_of(gain_db + self.balance_db)

        return factor("bass"), factor("guitar")

    def _click(self, placed: Sequence[Any], frames: int, peak_db: float) -> Sound:
        click = render_click(placed, frames, self.source.rate, self.settings.accent_db)
        return np.repeat(np.float32(amplitude_of(peak_db)) * click[:, None], self.channels, axis=1)

    def pass_starts(self, track: Track) -> list[int]:
        """The frame at which each repeat of a loop begins, count-in included, and that at which the last one ends."""
        assert track.loop is not None
        length_s = track.count_in_s + track.loop.end_s - track.loop.start_s
        lengths = [round(length_s * 100.0 / speed * self.source.rate) for speed in track.passes]
        return np.cumsum([0, *lengths]).tolist()

    def unplayed(self, track: Track, frames: int) -> list[tuple[int, int]]:
        """Where a file of ``frames`` holds no music: first frame and one past the last of count-ins and loop ends."""
        rate = self.source.rate
        if track.loop:
            *starts, end = self.pass_starts(track)
            lengths = [round(track.count_in_s * 100.0 / speed * rate) for speed in track.passes]
            spans = [(start, start + length) for start, length in zip(starts, lengths, strict=True)]
            return [(first, last) for first, last in (*spans, (end, frames)) if first < last]
        if not track.clicks or not self.settings.count_in_bars:
            return []
        first, end = (
            round(time_s * track.factor * rate) + track.lead for time_s in (track.clicks[0][0], self.beats.first_bar_s)
        )
        return [(first if first > track.lead else 0, end)]

    def _loop_sound(self, track: Track, loop: Loop) -> Sound:
        rate = self.source.rate
        half = round(SEAM_S * rate / 2)
        starts = self.pass_starts(track)
        # Repeats without a gap are a ring: what goes beyond the end is heard at the beginning, so that a player may
        # repeat the file. Else there is time for the last click.
        ring = self.settings.gapless
        tail = 0 if ring else half + round((track.early_s + 0.15) * 2 * rate)
        out = np.zeros((starts[-1] + tail, self.channels), np.float32)
        chunks: dict[float, NDArray[np.float32]] = {}
        placed = []
        from_s, to_s = loop.start_s - track.early_s, loop.end_s - track.early_s
        first = max(0, int((from_s - MARGIN_S) * rate))
        end = min(self.source.frames, int((to_s + MARGIN_S) * rate))
        for start, after, speed in zip(starts[:-1], starts[1:], track.passes, strict=True):
            factor = 100.0 / speed
            lead = round(track.count_in_s * factor * rate)
            frames = after - start - lead
            if speed not in chunks:
                whole = mixed(*self._at(speed, (first, end)), self._factors(track), self.channels, self._apart, 0)
                begin = round((from_s - first / rate) * factor * rate) - half
                chunk = np.zeros((frames + 2 * half, self.channels), np.float32)
                inside = whole[max(begin, 0) : begin + len(chunk)]
                chunk[max(-begin, 0) : max(-begin, 0) + len(inside)] = inside
                chunks[speed] = with_faded_ends(chunk, 2 * half)
            at = start + lead - half
            chunk = chunks[speed]
            if ring:
                out[np.arange(at, at + len(chunk)) % len(out)] += chunk
            else:
                chunk = chunk[max(-at, 0) :]
                out[max(at, 0) : max(at, 0) + len(chunk)] += chunk
            # A repeat's clock: its first frame is the cut, less the count-in.
            shifted = [(time_s - from_s + track.count_in_s, accent) for time_s, accent in track.clicks]
            placed += knocks(shifted, factor, start, rate)
        if placed:
            out += self._click(placed, len(out), self.click_peak_db)
        return out


def describe_loop(track: Track, starts: Sequence[int], rate: int) -> dict[str, Any] | None:
    """A loop as the index has it."""
    if track.loop is None:
        return None
    passes = [[round(start / rate, 6), speed] for start, speed in zip(starts, track.passes, strict=False)]
    return {
        "name": track.loop.name,
        "start_s": round(track.loop.start_s, 6),
        "end_s": round(track.loop.end_s, 6),
        "count_in_s": round(track.count_in_s, 6),
        "early_s": round(track.early_s, 6),
        "passes": passes,
    }


__all__ = ["CLICK_PEAK_DB", "CLICK_STEM_PEAK_DB", "Track", "TrackRenderer", "count_in", "describe_loop"]
