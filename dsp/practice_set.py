"""A practice set: a folder of tracks made from one take, with its index.

Every file is known by a digest of all that its sound was made from. A rerun leaves alone what would come out the same;
if only the tags differ, only they are written. Files that an earlier run made and that are no longer wanted are
removed.
"""

from collections.abc import Callable
from dataclasses import asdict, dataclass
from importlib.metadata import version
from pathlib import Path
from typing import Any

from thumbline.dsp.digests import digest, file_digest
from thumbline.dsp.errors import InputError
from thumbline.dsp.loops import Loop, parse_loop, phrases
from thumbline.dsp.outputs import OutputFolder
from thumbline.dsp.practice_index import read_index, write_index
from thumbline.dsp.practice_settings import PracticeSettings
from thumbline.dsp.practice_source import RENDERED, Source, is_rendered, read_source
from thumbline.dsp.practice_work import Work
from thumbline.dsp.processor import warm_up
from thumbline.dsp.rig import Rig
from thumbline.dsp.takes import open_take, take_name
from thumbline.dsp.tempo import Beats, beats_from_bpm, beats_from_taps, estimate_beats, read_taps

#: Goes up when the same settings no longer make the same sound.
RECIPE = 4
#: Share of the work that is reading the take.
READING_SHARE = 0.35

Progress = Callable[[float], None]


@dataclass(frozen=True)
class PracticeSet:
    """What came of one take."""

    folder: Path
    index: dict[str, Any]
    written: int  #: files that were made or changed
    kept: int  #: files that were left as they were
    removed: tuple[str, ...] = ()  #: files of a former run that are no longer asked for


def make_practice_set(
    path: Path,
    out: Path,
    rig: Rig,
    settings: PracticeSettings,
    progress: Progress = lambda share: None,
    threads: int = 1,
) -> PracticeSet:
    """Make the practice set of the take, or the rendered folder, at ``path`` in the folder ``out/<name of the take>``.

    Raises InputError for a take or settings that cannot be used, and a folder that cannot be written; what was there
    stays as it was then.
    """
    name = take_name(path)
    taps = read_taps(settings.taps) if settings.taps else None
    base = digest(_content_of(path, rig), rig.model_dump(mode="json"), version("thumbline"), RECIPE, settings.as_heard)
    request = digest(base, {**asdict(settings), "taps": taps})
    old = read_index(out / name)
    made_from = old["made_from"] if old else {}
    intact = {file for file, entry in made_from.get("files", {}).items() if _is_intact(out / name / file, entry)}
    if old and made_from.get("request") == request and intact == made_from["files"].keys():
        progress(1.0)
        return PracticeSet(out / name, old, 0, len(intact))
    warm_up()
    source = read_source(path, rig, lambda share: progress(READING_SHARE * share), as_heard=settings.as_heard)
    beats = find_beats(source, settings, taps)
    found = phrases(beats, source.notes, source.seconds)
    asked = _asked_loops(settings, beats, source, found)
    with OutputFolder(out, name) as folder:
        work = Work(
            source, beats, settings, folder.path, folder.target, base, made_from.get("files", {}), intact, threads
        )
        index = work.make(asked, found, lambda share: progress(READING_SHARE + (1.0 - READING_SHARE) * share))
        index["made_from"] = {"request": request, "files": dict(sorted(work.files.items()))}
        write_index(folder.path, index)
        kept = work.kept
    removed = [
        file
        for file in sorted(made_from.get("files", {}).keys() - work.files.keys())
        if (folder.target / file).is_file()
    ]
    for file in removed:
        (folder.target / file).unlink()
    return PracticeSet(folder.target, index, len(work.files) - kept, kept, tuple(removed))


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


def _content_of(path: Path, rig: Rig) -> list[str]:
    """Digests of the files of a take, or of a rendered folder."""
    if is_rendered(path):
        files: list[Path] = [path / name for name in RENDERED]
    else:
        with open_take(path, rig.string_count, rig.input.channels) as take:
            files = list(take.files)
    return [file_digest(file) for file in files]


def _is_intact(path: Path, entry: dict[str, Any]) -> bool:
    """Whether a file is still as it was written."""
    try:
        return path.stat().st_size == entry["bytes"] and file_digest(path) == entry["digest"]
    except OSError:
        return False
