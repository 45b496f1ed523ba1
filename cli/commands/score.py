"""`thumbline score`: a rendered folder against known notes."""

import json
from pathlib import Path
from typing import TYPE_CHECKING

import click

from thumbline.dsp.errors import printable

if TYPE_CHECKING:
    from rich.table import Table

    from thumbline.dsp.scoring.score import Latency, Score

#: Notes missed, and notes false, that the text names; the rest is in --json.
MOST_LISTED = 8


@click.command()
@click.argument("result", metavar="RESULT_DIR", type=click.Path(path_type=Path))
@click.argument("truth", metavar="TRUTH", type=click.Path(path_type=Path))
@click.option("--details", is_flag=True, help="Also print precision, recall and F, string by string.")
@click.option("--json", "as_json", is_flag=True, help="Print all of it as JSON.")
@click.option(
    "--picture", metavar="FILE", type=click.Path(path_type=Path), help="Draw where it went wrong, as a PNG picture."
)
def score(result: Path, truth: Path, details: bool, as_json: bool, picture: Path | None) -> None:
    """Compare what `thumbline render` wrote into RESULT_DIR with the notes that were really played.

    TRUTH is a table (CSV) with the columns onset_s, offset_s, string and midi, as in notes.csv; a Standard MIDI File
    with string 1 on channel 1, string 2 on channel 2 and so on; or JAMS with one annotation of notes per string.
    """
    from thumbline.dsp.files.atomic_write import refuse_other_kind, write_whole
    from thumbline.dsp.scoring.score_folder import score_folder
    from thumbline.dsp.scoring.truth_slips import likely_slip

    if picture:
        refuse_other_kind(picture, _is_png, "PNG picture")

    scored, bass, found = score_folder(result, truth)
    last_s = max(note.onset_s for note in bass.notes)
    if last_s > found.seconds:
        click.echo(
            f"{truth}: a note begins at {last_s:.1f} s, but the take lasts {found.seconds:.1f} s; of another take?",
            err=True,
        )
    slip = likely_slip(bass.notes, found.notes, found.rig.string_count)
    if slip:
        click.echo(f"{printable(truth)}: {slip}.", err=True)
    if picture:
        from thumbline.dsp.scoring.picture import draw_score

        drawn = draw_score(
            title=found.take,
            seconds=found.seconds,
            rig=found.rig,
            score=scored,
            truth=bass,
            bassline=found.bassline,
        )
        write_whole(picture, drawn, _is_png, "PNG picture")
    if as_json:
        click.echo(json.dumps({"take": found.take, **scored.as_dict()}, indent=2, allow_nan=False))
        return
    _report(scored, details=details)
    if picture:
        click.echo(f"{printable(picture)}: written")


def _is_png(path: Path) -> bool:
    """Whether a file begins as one does (ISO/IEC 15948, 5.2)."""
    with path.open("rb") as file:
        return file.read(8) == b"\x89PNG\r\n\x1a\n"


def _report(scored: "Score", *, details: bool) -> None:
    from rich.console import Console

    from thumbline.dsp.note_names import midi_to_note
    from thumbline.dsp.scoring.moments import moments

    console = Console(highlight=False, markup=False)
    tolerance_s, rates = next(iter(scored.bass.items()))
    within = f"within {1e3 * tolerance_s:.0f} ms"
    click.echo(f"Bass notes: {rates.true} played, {rates.matched} found ({within}), {rates.false} false.")
    path = (scored.path_right, scored.path_missed, scored.path_false)
    right, missed, false = (_percent(share) for share in path)
    click.echo(
        f"While a bass was played it was on the right string {right} of the time, on none {missed}; "
        f"while none was, there was one {false} of the time."
    )
    if details:
        console.print(_rates_table(scored))
        console.print(_strings_table(scored))
    if scored.onset_error.count:
        each = scored.onset_error
        side = "late" if (each.median_ms or 0.0) >= 0.0 else "early"
        click.echo(
            f"Onsets of bass notes: {abs(each.median_ms or 0.0):.1f} ms {side} in the median, 95 % within "
            f"{each.p95_ms:.1f} ms, worst {each.worst_ms:.1f} ms."
        )
    for name, latency in (("a pluck", scored.after_a_pluck), ("a stop", scored.after_a_stop)):
        if latency:
            click.echo(f"Mutes after {name}: {_latency(latency)}.")
    if scored.notes_missed or scored.notes_false:
        missed, false = len(scored.notes_missed), len(scored.notes_false)
        click.echo(f"Notes of all strings: {missed} missed, {false} false (every one with --json):")
    for kind, notes in (("missed", scored.notes_missed), ("false", scored.notes_false)):
        for note in notes[:MOST_LISTED]:
            click.echo(f"  {note.onset_s:9.3f} s  {kind} {midi_to_note(note.midi)} on string {note.string}")
    wrong = sorted(moments(scored), key=lambda each: -each.weight_s)
    if wrong:
        click.echo(f"Went wrong, worst first ({len(wrong)} in all):")
    for each in wrong[:8]:
        click.echo(f"  {each.begin_s:9.3f} s  {each.words}")


def _rates_table(scored: "Score") -> "Table":
    from rich import box
    from rich.table import Table

    table = Table(box=box.SIMPLE, show_edge=False)
    for heading in ("bass notes within", "precision", "recall", "F"):
        table.add_column(heading, justify="right")
    for tolerance_s, each in scored.bass.items():
        table.add_row(f"{1e3 * tolerance_s:.0f} ms", f"{each.precision:.3f}", f"{each.recall:.3f}", f"{each.f:.3f}")
    return table


def _strings_table(scored: "Score") -> "Table":
    from rich import box
    from rich.table import Table

    tolerances = list(scored.bass)
    table = Table(box=box.SIMPLE, show_edge=False)
    within = ", ".join(f"{1e3 * each:.0f}" for each in tolerances)
    for heading in ("string", "bass for", "on the right string", "notes", f"F at {within} ms"):
        table.add_column(heading, justify="right")
    table.add_column("other string for", no_wrap=True)
    for each in scored.strings:
        rates = [each.rates[tolerance_s] for tolerance_s in tolerances if tolerance_s in each.rates]
        row = scored.confusion_s[each.string]
        others = [other for other in row.argsort()[::-1] if row[other] > 0.0 and other != each.string]
        table.add_row(
            str(each.string),
            f"{each.bass_s:.1f} s",
            "" if each.path_right is None else _percent(each.path_right),
            str(rates[0].true) if rates else "0",
            " ".join(f"{rate.f:.3f}" for rate in rates),
            ", ".join(f"{other or 'none'} {row[other]:.2f} s" for other in others),
        )
    return table


def _percent(share: float | None) -> str:
    return "none asked" if share is None else f"{100 * share:.2f} %"


def _latency(latency: "Latency") -> str:
    each = latency.spread
    never = f", {latency.never} never followed" if latency.never else ""
    if not each.count:
        return f"none to follow{never}"
    return f"median {each.median_ms:.1f} ms, 95 % within {each.p95_ms:.1f} ms, worst {each.worst_ms:.1f} ms{never}"
