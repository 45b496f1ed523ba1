"""Pictures about thresholds, bleed and latency, for the notebooks."""

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.patches import Patch
from numpy.typing import NDArray

from thumbline.dsp.notebook.bleed_check import LEAST_DB, BleedCheck, in_db
from thumbline.dsp.notebook.explain import string_name
from thumbline.dsp.notebook.figures import Picture, new_figure, picture, plain
from thumbline.dsp.notebook.levels import Levels
from thumbline.dsp.notebook.sweep import Sweep
from thumbline.dsp.notebook.trade_off import TradeOff
from thumbline.dsp.processor.analysis_signal import LOWEST_DB
from thumbline.dsp.results.paper import BAND, BASS, GUITAR, GUITAR_EDGE, INK, QUIET
from thumbline.dsp.results.sheet import FAMILY
from thumbline.dsp.rig.model import Rig
from thumbline.dsp.scoring.score import Latency, Score
from thumbline.dsp.scoring.true_bass import Spanned

#: The attack of a note is within this time of its onset.
ATTACK_S = 0.06
#: So near to a note a string is neither silent nor sounding: the finger lands, the damping takes its time.
EDGE_S = 0.03
_EDGES_DB = np.arange(LOWEST_DB, 1.0, 2.0).tolist()
_DASHES: Mapping[str, Any] = {"on_db": (0, (6, 3)), "off_db": (0, (1.5, 2)), "floor_db": "solid"}
#: Latencies are drawn over so much at least, in ms: below it nobody feels a difference (common practice, no source).
LEAST_AXIS_MS = 20.0
_WORDS: Mapping[str, str] = {
    "on_db": "begins to sound (on_db)",
    "off_db": "falls silent (off_db)",
    "strictness": "only clear notes (strictness)",
    "proof_ms": "listen first (proof_ms)",
    "shortest_ms": "keep the bass (shortest_ms)",
}


def picture_distributions(levels: Levels, rig: Rig, notes: Sequence[Spanned]) -> Picture:
    """Draw how often each level occurs on each string, while one of ``notes`` sounds on it and while none does.

    Below each, a stroke for every note's attack: the threshold to begin to sound belongs between these and the noise.
    """
    n = rig.string_count
    columns = 3 if n > 4 else 2
    rows = -(-n // columns)
    figure, grid = new_figure(40 + 230 * rows, rows, columns, sharex=True, squeeze=False)
    for place, axes in enumerate(grid.flat):
        if place >= n:
            axes.set_visible(False)
            continue
        plain(axes, f"S{string_name(rig, place + 1)[1:]}", "dBFS" if place >= n - columns else "")
        _draw_distribution(axes, levels, rig, [note for note in notes if note.string == place + 1], place)
    figure.supylabel("share of the time, %", fontsize=10, color=INK, fontfamily=FAMILY)
    handles, labels = grid.flat[0].get_legend_handles_labels()
    figure.legend(handles, labels, loc="outside upper left", ncols=len(handles), frameon=False, fontsize=9)
    return picture(figure, "How often each level occurs on each string, silent and sounding, with its thresholds")


def _draw_distribution(axes: Axes, levels: Levels, rig: Rig, notes: Sequence[Spanned], column: int) -> None:
    own, times_s = levels.loudest_db[:, column], levels.times_s
    sounds, silent = np.zeros(len(times_s), np.bool_), np.ones(len(times_s), np.bool_)
    for note in notes:
        sounds |= (times_s >= note.onset_s) & (times_s < note.offset_s)
        silent &= (times_s < note.onset_s - EDGE_S) | (times_s > note.offset_s + EDGE_S)
    weights = np.full(len(own), 100.0 / max(len(own), 1))
    axes.hist(own[silent], _EDGES_DB, weights=weights[silent], color=GUITAR, ec=GUITAR_EDGE, lw=0.6, label="silent")
    axes.hist(own[sounds], _EDGES_DB, weights=weights[sounds], histtype="step", color=BASS, lw=1.8, label="sounding")
    axes.set_ylim(0.02, 130.0)
    axes.set_yscale("log")
    axes.set_yticks([0.1, 1, 10, 100], ["0.1", "1", "10", "100"])
    axes.minorticks_off()
    axes.set_xlim(LOWEST_DB + 10, 0.0)
    attacks = attack_levels(levels, notes, column)
    axes.plot(attacks, np.full(len(attacks), 0.032), "|", color=INK, ms=9, mew=1.2, label="a note's attack")
    for key, word in (("on_db", "on"), ("off_db", "off"), ("floor_db", "floor")):
        values = getattr(rig.detect, key)
        if not isinstance(values, str):
            colour = QUIET if key == "floor_db" else INK
            axes.axvline(values[column], color=colour, ls=_DASHES[key], lw=1.3, label=word)


def attack_levels(levels: Levels, notes: Sequence[Spanned], column: int) -> NDArray[np.float64]:
    """Return the loudest millisecond of each note's first ``ATTACK_S``, in dBFS; ``column`` is the string's."""
    found = []
    for note in notes:
        first, last = np.searchsorted(levels.times_s, (note.onset_s - 0.005, note.onset_s + ATTACK_S))
        if last > first:
            found.append(float(levels.loudest_db[first:last, column].max()))
    return np.array(found)


def picture_bleed(check: BleedCheck, rig: Rig) -> Picture:
    """Draw both bleed matrices in dB: row the channel, column the string that is heard in it."""
    n = rig.string_count
    figure, grid = new_figure(170 + 52 * n, 1, 2)
    names = [f"{s + 1}" for s in range(n)]
    for axes, matrix, title, worst in (
        (grid[0], check.before, "As it comes from the pickup", check.worst_before_db),
        (grid[1], check.after, "With the rig's matrix taken out", check.worst_after_db),
    ):
        plain(axes, f"{title}: {_at_most(worst)}", "string that is played", "channel of string")
        axes.grid(False)
        shown = in_db(matrix)
        share = np.clip((shown - LEAST_DB) / -LEAST_DB, 0.0, 1.0)
        np.fill_diagonal(share, 0.0)
        axes.imshow(share, cmap=_greys(), vmin=0.0, vmax=1.0, aspect="auto")
        axes.set_xticks(range(n), names)
        axes.set_yticks(range(n), names)
        for row in range(n):
            for column in range(n):
                text, colour = _cell(shown, share, check.played, row, column)
                axes.text(column, row, text, ha="center", va="center", color=colour, fontsize=11, fontfamily=FAMILY)
    return picture(
        figure,
        f"Bleed in dB, before ({_at_most(check.worst_before_db)}) and after ({_at_most(check.worst_after_db)}) removal",
    )


def _at_most(worst_db: float) -> str:
    return f"under {LEAST_DB:.0f} dB" if worst_db <= LEAST_DB else f"{worst_db:.0f} dB at most"


def _cell(
    shown: NDArray[np.float64], share: NDArray[np.float64], played: NDArray[np.bool_], row: int, column: int
) -> tuple[str, str]:
    if row == column:
        return "own", QUIET
    if not played[column]:
        return "?", QUIET
    if shown[row, column] <= LEAST_DB:
        return "-", QUIET
    return f"{shown[row, column]:.0f}", "white" if share[row, column] > 0.6 else INK


def _greys() -> Any:
    from matplotlib.colors import LinearSegmentedColormap

    return LinearSegmentedColormap.from_list("bleed", [BAND, GUITAR, BASS])


def picture_sweeps(sweeps: Sequence[Sweep], rig: Rig) -> Picture:
    """Draw what becomes of bass line and notes as each setting moves, with the plateau hatched."""
    figure, grid = new_figure(370, 1, len(sweeps), squeeze=False, sharey=True)
    for place, (axes, swept) in enumerate(zip(grid[0], sweeps, strict=True)):
        some = "" if len(swept.strings) == rig.string_count else f", {_strings(rig, swept.strings)}"
        plain(axes, f"{_WORDS[swept.setting]}{some}", "", "" if place else "right, %")
        low, high = swept.plateau
        axes.axvspan(low, high, facecolor="none", edgecolor=GUITAR, hatch="///", lw=0.0)
        for end in (low, high):
            axes.axvline(end, color=GUITAR_EDGE, lw=1.2)
        axes.axvline(swept.now, color=INK, lw=1.2, ls=(0, (6, 3)))
        axes.plot(swept.values, 100.0 * np.array(swept.right), "o-", color=BASS, lw=1.8, ms=4.5)
        axes.plot(swept.values, 100.0 * np.array(swept.notes_f), "s:", color=GUITAR_EDGE, mfc="white", lw=1.4, ms=4.5)
        unit = "moved by, dB" if swept.is_threshold else "set to, ms" if swept.setting.endswith("_ms") else "set to"
        if swept.setting == "strictness":
            axes.set_xscale("log")
            axes.set_xticks([0.1, 0.3, 1.0, 3.0, 10.0], ["0.1", "0.3", "1", "3", "10"])
            axes.minorticks_off()
        words = f"{unit}\n{swept.in_words}\n{swept.notes_in_words}"
        axes.set_xlabel(words, fontsize=10 if len(sweeps) < 3 else 9, color=INK, fontfamily=FAMILY)
    lowest = min(min(*swept.right, *swept.notes_f) for swept in sweeps)
    grid[0, 0].set_ylim(min(100.0 * lowest - 3.0, 90.0), 102.0)
    handles = [
        Patch(facecolor="none", edgecolor=GUITAR_EDGE, hatch="///", label="plateau: as good as it gets"),
        *_line_handles(
            {
                "where the rig has it": (INK, (0, (6, 3))),
                "bass path right": (BASS, "-"),
                "notes of all strings, F": (GUITAR_EDGE, ":"),
            }
        ),
    ]
    figure.legend(handles=handles, loc="outside upper left", ncols=4, frameon=False, fontsize=9)
    return picture(
        figure, " ".join(f"{_WORDS[each.setting]}: {each.in_words} ({each.notes_in_words})." for each in sweeps)
    )


def _strings(rig: Rig, strings: Sequence[int]) -> str:
    return ", ".join(string_name(rig, string) for string in strings)


def _line_handles(lines: Mapping[str, tuple[str, Any]]) -> list[Any]:
    from matplotlib.lines import Line2D

    return [Line2D([], [], color=colour, ls=style, label=label) for label, (colour, style) in lines.items()]


def picture_trade_off(points: Sequence[TradeOff], unit: str, now: float) -> Picture:
    """Draw how late decisions are (median, and the slowest twentieth) against how many are false.

    ``unit`` is that of the values; the point whose value is ``now`` is ringed.
    """
    figure, axes = new_figure(420)
    moved = "begin to sound (on_db) moved on all strings" if unit == "dB" else "wait for a strum (settle_ms)"
    plain(axes, f"Speed against certainty: {moved}", "from pluck to decision, ms", "false hand-overs per minute")
    known = [each for each in points if each.median_ms is not None]
    for key, style, word in (("median_ms", "o-", "median"), ("p95_ms", "s:", "95 of 100 are sooner")):
        xs = [getattr(each, key) for each in known]
        axes.plot(xs, [each.false_per_minute for each in known], style, color=BASS, lw=1.6, ms=5, label=word)
    ring: dict[str, Any] = {"mfc": "none", "mec": INK, "ms": 13, "mew": 1.6, "ls": "none", "marker": "o"}
    for each in known:
        if each.value == now:
            axes.plot([each.median_ms], [each.false_per_minute], label="the rig", **ring)
    for (x, y), label in _labels(known, unit):
        axes.annotate(label, (x, y), (5, 8), textcoords="offset points", fontsize=9, color=INK)
    most_ms = max((each.p95_ms or 0.0 for each in known), default=0.0)
    axes.set_xlim(0.0, 1.15 * most_ms + 1.0)
    most = max((each.false_per_minute for each in known), default=0.0)
    axes.set_ylim(-0.05 * most - 0.5, 1.15 * most + 1.0)
    figure.legend(loc="outside upper left", ncols=3, frameon=False, fontsize=9)
    return picture(figure, "; ".join(_point_in_words(each, unit) for each in points))


def _labels(points: Sequence[TradeOff], unit: str) -> list[tuple[tuple[float, float], str]]:
    """Return where to write which values; those of points that lie on one another share a place."""
    places: list[tuple[tuple[float, float], list[str]]] = []
    reach_ms = 0.04 * max((each.p95_ms or 0.0 for each in points), default=0.0) + 0.25
    reach = 0.04 * max((each.false_per_minute for each in points), default=0.0) + 0.1
    for each in points:
        x, y = each.median_ms or 0.0, each.false_per_minute
        value = f"{each.value:+g}" if unit == "dB" and each.value else f"{each.value:g}"
        near = (values for (px, py), values in places if abs(px - x) < reach_ms and abs(py - y) < reach)
        values = next(near, None)
        if values is None:
            places.append(((x, y), [value]))
        else:
            values.append(value)
    return [(place, f"{', '.join(values)} {unit}") for place, values in places]


def _point_in_words(each: TradeOff, unit: str) -> str:
    late = "never" if each.median_ms is None else f"{each.median_ms:.1f} ms"
    return f"{each.value:g} {unit}: {late}, {each.false_per_minute:.1f} false per minute"


def picture_latencies(score: Score) -> Picture:
    """Draw how long the mutes took after a pluck, and after the string below had stopped; none if not scored."""
    figure, grid = new_figure(330, 1, 2, sharex=True)
    words: list[str] = []
    every = [time for found in (score.after_a_pluck, score.after_a_stop) if found for time in found.times_ms]
    most_ms = max(LEAST_AXIS_MS, 1.2 * float(np.percentile(every, 95.0)) if every else 0.0)
    first_ms = min(0.0, *every) if every else 0.0
    for axes, found, title in (
        (grid[0], score.after_a_pluck, "After a pluck"),
        (grid[1], score.after_a_stop, "After a lower string stopped"),
    ):
        found = found or Latency((), 0)
        median_ms, never = found.spread.median_ms, f", {found.never} never" if found.never else ""
        fact = "none" if median_ms is None else f"median {median_ms:.1f} ms of {found.spread.count}{never}"
        words.append(f"{title}: {fact}")
        plain(axes, words[-1], "until the bass had passed, ms", "" if words[1:] else "decisions")
        if found.times_ms:
            shown = np.minimum(found.times_ms, most_ms)  # the last column holds all that took longer
            axes.hist(shown, bins=24, range=(first_ms, most_ms), color=GUITAR, ec=GUITAR_EDGE)
            if longer := int(np.count_nonzero(np.asarray(found.times_ms) > most_ms)):
                words[-1] += f", {longer} longer than {most_ms:.0f} ms"
                axes.set_title(words[-1], loc="left", color=INK, fontsize=11, fontfamily=FAMILY, fontweight="bold")
            axes.axvline(median_ms, color=BASS, lw=1.8)
            axes.yaxis.get_major_locator().set_params(integer=True)
    return picture(figure, "; ".join(words))
