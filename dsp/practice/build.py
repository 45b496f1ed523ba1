"""One run of a practice set: makes the files that are missing, leaves those that would come out the same.

Every file is known by a digest of all that its sound and tags, or its drawing, were made from.
"""

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import asdict
from pathlib import Path
from typing import Any

import numpy as np

from thumbline.dsp.beats.tempo import Beats
from thumbline.dsp.decibels import amplitude_db
from thumbline.dsp.files.digests import digest
from thumbline.dsp.files.made_files import facts_of
from thumbline.dsp.files.passes import Progress
from thumbline.dsp.files.sound_files import FORMATS, Tags, write_sound
from thumbline.dsp.practice.bass_fingering import fingered
from thumbline.dsp.practice.bass_midi import write_bass_midi_with_beats
from thumbline.dsp.practice.bass_musicxml import write_bass_musicxml
from thumbline.dsp.practice.contents import contents
from thumbline.dsp.practice.loops import Loop
from thumbline.dsp.practice.page import ingredients, write_page
from thumbline.dsp.practice.parts import in_threads
from thumbline.dsp.practice.settings import MIXES, PracticeSettings
from thumbline.dsp.practice.source import Source
from thumbline.dsp.practice.tablature import draw_tablature, tablature_text
from thumbline.dsp.practice.tracks import CLICK_STEM_PEAK_DB, Track, TrackRenderer, describe_loop
from thumbline.dsp.results.overview_layout import LEFT, RIGHT, rows_of
from thumbline.dsp.results.sheet import WIDTH
from thumbline.dsp.sound.loudness import normalise
from thumbline.dsp.sound.true_peak import true_peak


class Build:
    """One run: makes what is missing into ``new``, leaves in ``target`` what is there."""

    def __init__(
        self,
        source: Source,
        beats: Beats,
        settings: PracticeSettings,
        new: Path,
        target: Path,
        base: str,
        before: dict[str, dict[str, Any]],
        intact: set[str],
        threads: int,
    ) -> None:
        self.source, self.beats, self.settings = source, beats, settings
        self.new, self.target, self.base, self.threads = new, target, base, threads
        self.before, self.intact = before, intact
        self.renderer = TrackRenderer(source, beats, settings, threads)
        #: The same sound goes into every format, so what is left below the ceiling must do for all.
        self.ceiling_db = settings.ceiling_db - max(FORMATS[name].overshoot_db for name in settings.formats)
        self.files: dict[str, dict[str, Any]] = {}
        self.numbers: dict[str, int] = {}  # of the tracks by name, from 1

    @property
    def kept(self) -> int:
        """How many files were left as they were."""
        return sum(not (self.new / file).exists() for file in self.files)

    def make(self, asked: list[Loop], found: list[Loop], progress: Progress) -> dict[str, Any]:
        """Make all tracks, with the loops that were ``asked`` for, and the documents; return the index."""
        with ThreadPoolExecutor(1) as aside:  # drawing leaves the other cores idle
            documents = aside.submit(self._documents)
            entries = self._tracks(self.renderer.listed(asked), progress)
            loops = {loop.name: loop for loop in (*asked, *found)} | {loop.name: loop for loop in asked}
            index = contents(self.source, self.beats, self.settings, entries, list(loops.values())) | documents.result()
        self._page(index)
        progress(1.0)
        return index

    def _tracks(self, tracks: list[Track], progress: Progress) -> list[dict[str, Any]]:
        """Make all tracks, and return what the index says of them."""
        entries: list[dict[str, Any]] = []
        self.numbers = _numbers(tracks)
        done = 0
        for speed in dict.fromkeys(track.speed for track in tracks if not track.loop):
            here = [track for track in tracks if track.speed == speed and not track.loop]
            if not all(self._is_made(track) for track in here):
                self.renderer.prepare(speed)
            entries += in_threads(self.threads, self._track, here)
            done += len(here)
            progress(done / (len(tracks) + 1))
        loops = [track for track in tracks if track.loop]
        entries += in_threads(self.threads, self._track, loops)
        progress(len(tracks) / (len(tracks) + 1))
        return entries

    def _tags(self, track: Track) -> Tags:
        bpm = self.beats.bpm * track.speed / 100.0 if self.beats.known else None
        return Tags(track.title, self.source.name, track.part, bpm, self.numbers[track.name])

    def _key(self, track: Track) -> str:
        """Digest of all that the sound of a track, and its tags, were made from."""
        wanted = {key: value for key, value in asdict(track).items() if key != "name"}
        s = self.settings
        shared = (s.transpose, s.placement, s.loudness_lufs, self.ceiling_db)
        clicks = (s.accent_db, s.click_db) if track.click != "off" else ()
        plain = track.part == "click" or (track.speed == 100.0 and s.transpose == 0 and not track.loop)
        return digest(self.base, wanted, asdict(self._tags(track)), shared, clicks, None if plain else s.stretch)

    def _names(self, track: Track) -> dict[str, str]:
        return {name: f"{track.name}.{name}" for name in self.settings.formats}

    def _is_made(self, track: Track) -> bool:
        key = self._key(track)
        return all(
            file in self.intact and self.before[file].get("sound") == key for file in self._names(track).values()
        )

    def _track(self, track: Track) -> dict[str, Any]:
        """Make a track, or leave it, and return what the index says of it."""
        key, names = self._key(track), self._names(track)
        if self._is_made(track):
            self.files |= {file: self.before[file] for file in names.values()}
        else:
            facts = self._render(track, names)
            fresh = {file: facts_of(self.new / file) for file in names.values()}
            self.files |= {file: {**entry, "sound": key, "facts": facts} for file, entry in fresh.items()}
        return {
            "name": track.name,
            "title": track.title,
            "part": track.part,
            "speed": track.speed,
            "files": names,
            "bpm": None if (bpm := self._tags(track).bpm) is None else round(bpm, 3),
            **self.files[next(iter(names.values()))]["facts"],
        }

    def _render(self, track: Track, names: dict[str, str]) -> dict[str, Any]:
        rate = self.source.rate
        sound = self.renderer.sound_of(track)
        if track.part == "click":
            gain_db, loudness = 0.0, None
            peak_db = amplitude_db(true_peak(sound), 1e-10)
        else:
            wanted, unplayed = self.settings.loudness_lufs, self.renderer.unplayed(track, len(sound))
            sound, gain_db, loudness, peak_db = normalise(sound, rate, wanted, self.ceiling_db, unplayed)
        for name, file in names.items():
            write_sound(self.new / file, sound, rate, name, self._tags(track))
        click_stem = self.renderer.click_peak_db - CLICK_STEM_PEAK_DB
        return {
            "starts_s": round(-track.lead / rate, 9) + 0.0,
            "seconds": round(len(sound) / rate, 6),
            "channels": sound.shape[1],
            "click": track.click,
            "gains_db": track.gains_db,
            "placement": self.settings.placement,
            "loudness_lufs": None if loudness is None or not np.isfinite(loudness) else round(loudness, 3),
            "true_peak_dbtp": round(float(peak_db), 3) if np.isfinite(peak_db) else None,
            "mix_gain_db": round(click_stem if track.part == "click" else -gain_db, 3),
            "loop": describe_loop(track, self.renderer.pass_starts(track)[:-1] if track.loop else [], rate),
        }

    @property
    def _shift(self) -> int:
        """Semitones from a string as played to the bass of this set."""
        return self.source.rig.bass.interval + self.settings.transpose

    def _documents(self) -> dict[str, Any]:
        """Make pictures, text and MIDI of the bass line; return what the index says of them."""
        source, beats, rig = self.source, self.beats, self.source.rig
        key = digest(
            self.base,
            beats.times_s.tolist(),
            beats.downbeat,
            beats.beats_per_bar,
            beats.source,
            self.settings.transpose,
        )
        size: dict[str, Any] = {}
        line = fingered(source.bassline, self._shift)
        texts = {"tablature": "tablature.txt"}

        def tablature(path: Path) -> None:
            size.update(draw_tablature(path, source.name, line, beats, source.seconds))

        def text(path: Path) -> None:
            path.write_text(tablature_text(source.name, line, beats, source.seconds), encoding="utf-8")

        def midi(path: Path) -> None:
            write_bass_midi_with_beats(path, source.bassline, beats, interval=self._shift, end_s=source.seconds)

        def musicxml(path: Path) -> None:
            write_bass_musicxml(path, source.name, line, beats, source.seconds)

        if beats.known:
            self._document("bass.musicxml", key, musicxml)
            texts["musicxml"] = "bass.musicxml"
        self._document("overview.png", key, self._overview)
        self._document("tablature.png", key, tablature, size)
        self._document("tablature.txt", key, text)
        self._document("bass.mid", key, midi)
        rows = rows_of(source.seconds, rig.string_count, len(source.bassline))
        overview = {
            "file": "overview.png",
            "width": WIDTH,
            "height": int(rows[-1].bottom),
            "rows": [
                {
                    "start_s": row.start_s,
                    "end_s": row.end_s,
                    "left": LEFT,
                    "right": round(row.x(row.end_s), 2) if row.end_s > row.start_s else RIGHT,
                    "top": row.top,
                    "bottom": row.strip_top + row.strip_px,
                }
                for row in rows
            ],
        }
        return {
            "pictures": {"overview": overview, "tablature": dict(self.files["tablature.png"]["facts"])},
            "texts": texts,
            "midi": {"bass": "bass.mid"},
        }

    def _page(self, index: dict[str, Any]) -> None:
        """Make the page, whatever speeds the tracks have: it makes its own."""
        sources, shown = ingredients(index)
        s = self.settings
        key = digest(self.base, sources, shown, s.transpose, s.placement, s.loudness_lufs, s.stretch)

        def write(path: Path) -> None:
            fresh = self.new / "overview.png"
            picture = fresh if fresh.exists() else self.target / "overview.png"
            write_page(path, index, picture, self.renderer.page_stems(), self.threads)

        self._document("practice.html", key, write)
        index["page"] = "practice.html"

    def _document(
        self, file: str, key: str, write: Callable[[Path], None], facts: dict[str, Any] | None = None
    ) -> None:
        if file in self.intact and self.before[file].get("sound") == key:
            self.files[file] = self.before[file]
            return
        write(self.new / file)
        self.files[file] = {**facts_of(self.new / file), "sound": key, "facts": facts or {}}

    def _overview(self, path: Path) -> None:
        from thumbline.dsp.results.overview import draw_overview

        source = self.source
        draw_overview(
            path,
            title=source.name,
            seconds=source.seconds,
            rig=source.rig,
            notes=source.notes,
            bassline=source.bassline,
            pitch=source.pitch,
            handover_s=source.handover_s,
            bars=[(bar, start_s) for bar, start_s, _ in self.beats.bars(source.seconds)],
        )


def _numbers(tracks: list[Track]) -> dict[str, int]:
    """Track numbers that do not change when a speed or a mix is added: a mix has the same at every speed."""
    parts = [*MIXES, "click"]
    loops = [track.name for track in tracks if track.loop]
    return {
        track.name: len(parts) + 1 + loops.index(track.name) if track.loop else 1 + parts.index(track.part)
        for track in tracks
    }
