"""A practice set: a folder of tracks made from one take, with its index.

Every file is known by a digest of all that its sound and tags were made from. A rerun leaves alone what would come out
the same; other tags too make a file anew. Files that an earlier run made and that this one was not asked for stay, and
are named in the index, unless a fresh set is wanted.
"""

from contextlib import suppress
from dataclasses import asdict, dataclass, field
from importlib.metadata import version
from pathlib import Path
from typing import Any

from thumbline.dsp.beats.tempo import Beats, beats_from_bpm, beats_from_taps, estimate_beats, read_taps
from thumbline.dsp.errors import InputError, printable
from thumbline.dsp.files.digests import digest, file_digest
from thumbline.dsp.files.made_files import made_in
from thumbline.dsp.files.outputs import OutputFolder
from thumbline.dsp.files.passes import Progress
from thumbline.dsp.files.publication import changed_files
from thumbline.dsp.files.take_in_the_way import refuse_take_as_target
from thumbline.dsp.files.takes import open_take, state_of, take_name
from thumbline.dsp.practice.build import Build
from thumbline.dsp.practice.index import FILE as INDEX
from thumbline.dsp.practice.index import read_index, write_index
from thumbline.dsp.practice.loops import Loop, parse_loop, phrases
from thumbline.dsp.practice.settings import PracticeSettings
from thumbline.dsp.practice.source import RENDERED, Source, is_rendered, read_source
from thumbline.dsp.processor.processor import warm_up
from thumbline.dsp.rig.model import Rig

#: Raise this whenever the same settings would produce different audio.
RECIPE = 6
#: What a set holds beside its tracks.
DOCUMENTS = (
    *("overview.png", "tablature.png", "tablature.txt", "bass.mid"),
    *("bass.musicxml", "practice.html", INDEX),
)
#: Share of the work that is reading the take.
READING_SHARE = 0.35


@dataclass(frozen=True)
class PracticeSet:
    """What came of one take."""

    folder: Path
    index: dict[str, Any]
    written: int  #: files that were made or changed
    kept: int  #: files that were left as they were
    kept_aside: list[str] = field(default_factory=list)  #: names of files of a former run that were changed since
    removed: tuple[str, ...] = ()  #: files of former runs that were not asked for now

    @property
    def stays(self) -> list[str]:
        """Files of former runs that were not asked for now and are still there."""
        return self.index["stays"]


def make_practice_set(
    path: Path,
    out: Path,
    rig: Rig,
    settings: PracticeSettings,
    progress: Progress = lambda share: None,
    threads: int = 1,
    *,
    fresh: bool = False,
) -> PracticeSet:
    """Make the practice set of the take, or the rendered folder, at ``path`` in the folder ``out/<name of the take>``.

    ``fresh``: what former runs have made there, and these settings do not ask for, is removed.

    Raises InputError for a take or settings that cannot be used, and a folder that cannot be written, or holds files in
    the way that the program did not make; what was there stays as it was then.
    """
    while True:
        with suppress(_OvertakenError):
            return _make(path, out, rig, settings, progress, threads, fresh)


class _OvertakenError(Exception):
    """Another run has written into the folder since this one looked at what is there."""


def _make(
    path: Path, out: Path, rig: Rig, settings: PracticeSettings, progress: Progress, threads: int, fresh: bool
) -> PracticeSet:
    """Make the set once; raise _OvertakenError if that was for nothing."""
    name = take_name(path)
    rig = settings.with_character(rig)
    changed_files(out / name, _plain_names(settings), made_in(out / name))  # before the work
    taps = read_taps(settings.taps) if settings.taps else None
    files = _files_of(path, out, rig)
    states = [state_of(file) for file in files]
    content = [file_digest(file) for file in files]
    base = digest(content, rig.model_dump(mode="json"), version("thumbline"), RECIPE, settings.as_heard)
    request = digest(base, {**asdict(settings), "taps": taps})
    old = read_index(out / name)
    made_from = old["made_from"] if old else {}
    before: dict[str, dict[str, Any]] = made_from.get("files", {})
    intact = {file for file, entry in before.items() if _is_intact(out / name / file, entry)}
    if old and made_from.get("request") == request and not (fresh and old["stays"]):
        asked_for = before.keys() - old["stays"]
        if asked_for <= intact:
            progress(1.0)
            return PracticeSet(out / name, old, 0, len(asked_for))
    warm_up()
    source = read_source(path, rig, lambda share: progress(READING_SHARE * share), as_heard=settings.as_heard)
    if states != [state_of(file) for file in files]:
        raise InputError(f"{printable(path)} has changed while it was read; accepted is a take that is complete")
    beats = find_beats(source, settings, taps)
    found = phrases(beats, source.notes, source.seconds)
    asked = _asked_loops(settings, beats, source, found)

    def check() -> None:
        if read_index(out / name) != old:
            raise _OvertakenError

    with OutputFolder(out, name, spared=files) as folder:
        folder.check = check
        folder.refuse_what_is_not_ours(f"{loop.name}.{form}" for loop in asked for form in settings.formats)
        build = Build(source, beats, settings, folder.path, folder.target, base, before, intact, threads)
        index = build.make(asked, found, lambda share: progress(READING_SHARE + (1.0 - READING_SHARE) * share))
        others = {file: entry for file, entry in before.items() if file not in build.files}
        staying = {} if fresh else {file: each for file, each in others.items() if (out / name / file).exists()}
        index["stays"] = sorted(staying)
        index["made_from"] = {"request": request, "files": dict(sorted((build.files | staying).items()))}
        write_index(folder.path, index)
        kept = build.kept
        folder.unwanted = sorted(others) if fresh else []
    return PracticeSet(folder.target, index, len(build.files) - kept, kept, folder.kept_aside, tuple(folder.removed))


def _plain_names(settings: PracticeSettings) -> set[str]:
    """Names of the files that these settings ask for whatever the take is: all but loops."""
    tracks = {f"{mix}-{speed:g}" for speed in settings.speeds for mix in (*settings.mixes_at(speed), "click")}
    return {*DOCUMENTS, *(f"{track}.{form}" for track in tracks for form in settings.formats)}


def find_beats(source: Source, settings: PracticeSettings, taps: list[float] | None) -> Beats:
    """Beats as the settings want them found. Raises InputError if they want bar 1, or the taps, beyond the take."""
    seconds, first_s = source.seconds, settings.first_bar_s
    if first_s is not None and first_s > seconds:
        raise InputError(
            f"the first bar is to start at {first_s:g} s; accepted: 0 to {seconds:g} s, the end of the take"
        )
    if taps is not None and taps[0] > seconds:
        raise InputError(
            f"the first tap is at {taps[0]:g} s; accepted are taps of this take, which ends at {seconds:g} s"
        )
    if taps is not None:
        return beats_from_taps(taps, source.seconds, settings.beats_per_bar, settings.first_bar_s)
    rest = (source.notes, source.bassline, source.seconds, settings.beats_per_bar, settings.first_bar_s)
    return estimate_beats(*rest) if settings.bpm is None else beats_from_bpm(settings.bpm, *rest)


def _asked_loops(settings: PracticeSettings, beats: Beats, source: Source, found: list[Loop]) -> list[Loop]:
    loops: dict[str, Loop] = {}
    for text in settings.loops:
        wanted = found if text.strip().lower() == "phrases" else [parse_loop(text, beats, source.seconds)]
        loops |= {loop.name: loop for loop in wanted}
    return list(loops.values())


def _files_of(path: Path, out: Path, rig: Rig) -> list[Path]:
    """Return the files of a take, or of a rendered folder; InputError if the result would be in its way."""
    if is_rendered(path):
        return [path / name for name in RENDERED]
    with open_take(path, rig.string_count, rig.input.channels, rig.instrument.strings) as take:
        refuse_take_as_target(take, out, rig.string_count)
        return list(take.files)


def _is_intact(path: Path, entry: dict[str, Any]) -> bool:
    """Whether a file is still as it was written."""
    try:
        return path.stat().st_size == entry["bytes"] and file_digest(path) == entry["digest"]
    except OSError:
        return False
