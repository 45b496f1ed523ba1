"""`thumbline practice`: tracks to practise with, made from takes."""

import os
from collections.abc import Callable, Iterator
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from thumbline.cli.options import PATH, archive_option, jobs_option, rig_option, takes_argument
from thumbline.cli.shared.misfit import does_not_fit
from thumbline.dsp.errors import printable

if TYPE_CHECKING:
    from thumbline.dsp.practice.practice_set import PracticeSet
    from thumbline.dsp.practice.settings import PracticeSettings
    from thumbline.dsp.rig.model import Rig

#: Threads that one take keeps busy at most.
MOST_THREADS = 4
#: What `results.csv` of an archive says of each take.
TABLE_COLUMNS = ("folder", "seconds", "bass_notes", "tracks", "bpm")
#: A track that is softer than wanted by more than this is named, LU.
TELLING_LU = 0.1


@click.command()
@takes_argument
@click.option("--out", required=True, metavar="DIR", type=PATH, help="Output folder; one subfolder per take.")
@rig_option
@jobs_option
@archive_option
@click.option("--bpm", type=float, metavar="BPM", help="The tempo, if you know it; else it is estimated and shown.")
@click.option(
    "--taps", type=PATH, metavar="FILE", help="A text file with the time of each beat in seconds, one per line."
)
@click.option("--beats", "beats_per_bar", default=4, show_default=True, help="Beats per bar.")
@click.option("--first-bar", "first_bar_s", type=float, metavar="S", help="When bar 1 begins, in seconds; else found.")
@click.option("--speeds", default="100,75,60", show_default=True, metavar="LIST", help="Speeds in percent.")
@click.option("--transpose", default=0, show_default=True, metavar="N", help="Semitones up, or down if below 0.")
@click.option(
    "--character",
    metavar="NAME",
    help="How the bass sounds: raw, round, fingered or picked. If left out, as in RIG, or fingered if that is raw.",
)
@click.option(
    "--as-heard", is_flag=True, help="Keep in the bass line what only passes: strings of a strum, the rest of a chord."
)
@click.option("--mix", "mixes", multiple=True, metavar="NAME", help="Only this mix, at every speed. Repeatable.")
@click.option(
    "--quieter",
    "quieter_db",
    default=12.0,
    show_default=True,
    metavar="DB",
    help="How much quieter the other part is in bass-lead and guitar-lead.",
)
@click.option(
    "--placement",
    default="together",
    show_default=True,
    metavar="HOW",
    help="together, or apart: bass left, guitar right.",
)
@click.option(
    "--click",
    "click_",
    default="count-in",
    show_default=True,
    metavar="WHEN",
    help="off, count-in or throughout, in mixes of both parts.",
)
@click.option(
    "--count-in", "count_in_bars", default=1, show_default=True, metavar="BARS", help="How many bars are counted in."
)
@click.option("--click-level", "click_db", default=0.0, show_default=True, metavar="DB", help="Louder or softer click.")
@click.option(
    "--accent",
    "accent_db",
    default=4.0,
    show_default=True,
    metavar="DB",
    help="How much louder the first beat of a bar is.",
)
@click.option(
    "--loop",
    "loops",
    multiple=True,
    metavar="WHAT",
    help='A loop: "bars 5-8", "12.5-20" (seconds), or "phrases". Repeatable.',
)
@click.option("--loop-mix", default="both", show_default=True, metavar="NAME", help="The mix that loops have.")
@click.option("--repeats", default=4, show_default=True, metavar="N", help="How often a loop is played.")
@click.option("--ladder", metavar="A-B/STEP", help="Loops get faster with each repeat: 60-100/10, in percent.")
@click.option("--gapless", is_flag=True, help="Repeats follow at once, without a count-in.")
@click.option(
    "--loudness", "loudness_lufs", default=-18.0, show_default=True, metavar="LUFS", help="Loudness of every track."
)
@click.option(
    "--format", "formats", multiple=True, metavar="NAME", help="flac (default), wav, ogg, opus, mp3. Repeatable."
)
@click.option(
    "--stretch",
    default="strings",
    show_default=True,
    metavar="HOW",
    help="How slower tracks are made: strings, each by itself, or library, their sum.",
)
@click.option(
    "--fresh", is_flag=True, help="Remove what earlier runs made in the folder and this one is not asked for."
)
def practice(
    takes: tuple[Path, ...],
    out: Path,
    rig_file: Path | None,
    jobs: int,
    archive: bool,
    speeds: str,
    ladder: str | None,
    click_: str,
    formats: tuple[str, ...],
    mixes: tuple[str, ...],
    fresh: bool,
    **rest: Any,
) -> None:
    """Make practice tracks: one folder for each take.

    TAKE is a recording with one channel for each string, or a folder that `thumbline render` or `thumbline live --keep`
    made. With nothing but --out you get, all equally loud: bass alone, guitar alone, both, each with the other quieter,
    both with a click, and the most useful of these at 75 and 60 % of the speed, at the same pitch; the click, the bass
    line as MIDI and in tablature, and index.json, which lists everything.

    Mixes: bass, guitar, both, bass-lead, guitar-lead, both-click. Bass and guitar alone are always made.

    A second run makes only what has changed; so one with --archive goes on where it was stopped. What earlier runs made
    stays, even if this one is not asked for it, and is named; --fresh removes it. A file that you changed is never
    removed.
    """
    from thumbline.cli.progress import compile_kernels
    from thumbline.cli.side_by_side.archive import Archive
    from thumbline.cli.side_by_side.workers import for_each_take
    from thumbline.dsp.beats.tempo import read_taps
    from thumbline.dsp.files.takes import distinct_names
    from thumbline.dsp.practice.settings import PracticeSettings, parse_ladder, parse_speeds
    from thumbline.dsp.rig.file import load_rig

    settings = PracticeSettings(
        speeds=parse_speeds(speeds),
        ladder=parse_ladder(ladder) if ladder else (),
        click=click_,  # pyright: ignore[reportArgumentType]  checked there
        formats=tuple(dict.fromkeys(formats)) or ("flac",),
        mixes=mixes or None,
        **rest,
    )
    rig = load_rig(rig_file) if rig_file else None
    if settings.taps:
        read_taps(settings.taps)  # refused here once, not for each take
    archived = Archive(takes, out, TABLE_COLUMNS, partial(_facts, out)) if archive else None
    distinct_names(() if archived else takes)
    compile_kernels()
    jobs = min(jobs, len(archived.folders if archived else takes))
    threads = max(1, min((os.cpu_count() or 1) // jobs, MOST_THREADS))
    work = partial(_make, rig=rig, settings=settings, threads=threads, fresh=fresh)
    tell = partial(_tell, wanted_lufs=settings.loudness_lufs)
    if archived:
        archived.work(work, jobs, tell)
        return
    for made in for_each_take(partial(work, out=out), takes, jobs):
        tell(made)


def _tell(made: "PracticeSet", wanted_lufs: float) -> None:
    """Say what came of a take."""
    for line in _lines(made, wanted_lufs):
        click.echo(line)
    for kept in made.kept_aside:
        named = f"{printable(made.folder.name)}: a file there had been changed; it stays as {printable(kept)}"
        click.echo(named, err=True)
    if misfit := made.index.get("rig_misfit"):  # sets of earlier versions lack it
        click.echo(f"{printable(made.folder.name)}: {does_not_fit(misfit)}", err=True)


def _facts(out: Path, made: "PracticeSet") -> dict[str, object]:
    """What the table of an archive says of a practice set."""
    return {
        "state": "made" if made.written else "as before",
        "folder": printable(made.folder.relative_to(out)),
        "seconds": made.index["seconds"],
        "bass_notes": len(made.index["bass_notes"]),
        "tracks": len(made.index["tracks"]),
        "bpm": made.index["tempo"]["bpm"] or "",
    }


def _lines(made: "PracticeSet", wanted_lufs: float) -> Iterator[str]:
    index, tempo = made.index, made.index["tempo"]
    kept = f", {made.kept} as before" if made.kept else ""
    passing = index["line"]["passing"]
    left_out = f"; {passing} passing bass note{'s' * (passing > 1)} left out (--as-heard keeps them)" if passing else ""
    yield f"{printable(made.folder)}: {len(index['tracks'])} tracks; {made.written} files written{kept}{left_out}"
    yield from _tempo_lines(tempo, index["bars"])
    if made.stays:
        yield f"  not asked for now, and left as before (--fresh removes it): {', '.join(map(printable, made.stays))}"
    if made.removed:
        yield f"  removed, not asked for now: {', '.join(map(printable, made.removed))}"
    measured = {track["name"]: track["loudness_lufs"] for track in index["tracks"]}
    softer = {name: lufs for name, lufs in measured.items() if lufs is None or wanted_lufs - lufs > TELLING_LU}
    if softer:
        named = ", ".join(name if lufs is None else f"{name} ({lufs:.1f} LUFS)" for name, lufs in softer.items())
        yield f"  too short, or of peaks too high, to be as loud as {wanted_lufs:g} LUFS: {named}"


def _tempo_lines(tempo: dict[str, Any], bars: list[dict[str, Any]]) -> Iterator[str]:
    """What is known of the beat, and what helps if it is wrong."""
    from thumbline.dsp.beats.tempo import SURE

    if tempo["bpm"] is None:
        yield "  no tempo, so no click: too little is played for a beat; tap it in practice.html, or give --bpm, --taps"
        return
    pace = "steady" if tempo["steady"] else "follows the player"
    line = f"  {tempo['bpm']:.1f} bpm ({tempo['source']}, {pace}), {tempo['beats_per_bar']} beats per bar"
    yield line + (f", bar 1 at {bars[0]['start_s']:.2f} s" if bars else "")
    if tempo["source"] == "estimated":
        sure = tempo["confidence"] or 0.0
        lead = "not sure of the beat: tap it in practice.html, or give" if sure < SURE else "if the click is off:"
        yield f"  confidence {100.0 * sure:.0f} %; {lead} --bpm, --taps, --beats, --first-bar"


def _make(
    take: Path,
    show: Callable[[float], None],
    out: Path,
    rig: "Rig | None",
    settings: "PracticeSettings",
    threads: int,
    fresh: bool,
) -> "PracticeSet":
    from thumbline.dsp.kept.layout import rig_for
    from thumbline.dsp.practice.practice_set import make_practice_set

    return make_practice_set(take, out, rig or rig_for(take), settings, show, threads, fresh=fresh)
