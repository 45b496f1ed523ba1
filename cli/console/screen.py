"""The full-screen view: a pure function from a :class:`~thumbline.cli.console.view.View` to something rich can print.

On top, as tall as there is room for, stands what a player in trouble looks for: the sound or the split that is off, a
bass that is held, strings that are all unmuted, a fault. While all is as usual the song has that place. Below it there
is one row per string, the highest on top as in tablature.
"""

import textwrap

from rich.console import Group, RenderableType
from rich.text import Text

from thumbline.cli.console.glyphs import can_draw, small
from thumbline.cli.console.string_rows import row_height, string_row
from thumbline.cli.console.view import View, bass_words, unusual

#: The limiter and the MIDI cable are worth a word beyond these.
LIMITING_DB, BUSY_CABLE = -0.1, 0.7
#: Levels below this are not told, in dBFS.
LOWEST_DB = -60.0
#: How often sound comes is worth a word from this many blocks on.
LONG_PERIOD = 1.5
#: The tall head, and the lines below the strings without which there is none: facts, notice, keys.
TALL_HEAD, SHORT_FOOT = 3, 3
#: The widest rows: beyond this the eye has too far to travel.
WIDEST = 200
#: Columns beside large letters that are left for small ones.
ASIDE = 26
#: From this width on facts are told with all their words.
ROOMY = 92
KEYS = " space sound  s split  h hold  u unmute  - + bass  [ ] c tone  < > song  q stop"
INVERTED = "bold reverse"


def screen(view: View, width: int, height: int, *, plain_characters: bool = False) -> RenderableType:
    """Return the view for a terminal of ``width`` columns and ``height`` lines.

    ``plain_characters`` keeps to ASCII, for terminals that know nothing else.
    """
    width = min(width, WIDEST)
    count = len(view.strings)
    head = _head(view, width)
    tall = 1
    if not plain_characters:
        room = height - TALL_HEAD - SHORT_FOOT
        tall = row_height(count, width, room)
        if tall > 1 or room >= count:
            head = _tall_head(view, width)
    lines = list(head)
    for string in view.strings:
        lines += string_row(string, width, tall, plain=plain_characters)
    lines += _that_fit(view, width, height - len(lines))
    for line in lines:
        line.truncate(width, overflow="crop")
        line.no_wrap = True
    return Group(*lines[:height])


def _where(view: View) -> str:
    """Song, and time."""
    minutes, seconds = divmod(int(view.elapsed_s), 60)
    song = f"{view.song_number}/{view.song_count}  " if view.song_count > 1 else ""
    done = "" if view.done is None else f"  {view.done:.0%}"
    return f"{song}{minutes}:{seconds:02d}{done}" + (f"  {view.recording}" if view.recording == "REC" else "")


def _status(view: View) -> str:
    """The engine's word, unless it is the usual one."""
    return "" if view.engine.status == "playing" else view.engine.status


def _head(view: View, width: int) -> list[Text]:
    """One line: what is unusual, inverted, then the song and the time."""
    line = Text(" ")
    for word in unusual(view):
        line.append(f" {word} ", INVERTED).append(" ")
    right = "  ".join(filter(None, (_status(view), _where(view)))) + " "
    song = view.song + (f"  next {view.next_song}" if view.next_song else "")
    line.append(song[: max(width - line.cell_len - len(right) - 1, 0)], "bold")
    line.append(" " * max(width - line.cell_len - len(right), 1) + right, "bold")
    return [line]


def _tall_head(view: View, width: int) -> list[Text]:
    """Three lines: large words for what is unusual, else for the song; beside it, small, all else.

    What is unusual and does not fit gets a line of its own.
    """
    lines, taken = [Text(" ") for _ in range(TALL_HEAD)], 1
    words = unusual(view)
    while words:
        drawn = [f" {line} " for line in small(words[0])]
        if taken + len(drawn[0]) > width:
            break
        words.pop(0)
        for line, part in zip(lines, drawn, strict=True):
            line.append(part, INVERTED).append(" ")
        taken += len(drawn[0]) + 1
    song = view.song
    if taken == 1 and can_draw(song) and song and len(small(song)[0]) + 1 <= width - ASIDE:
        for line, part in zip(lines, small(song), strict=True):
            line.append(part, "bold")
        taken += len(small(song)[0])
        song = ""
    aside = [
        _where(view),
        song,
        "  ".join(filter(None, (_status(view), f"next {view.next_song}" if view.next_song else ""))),
    ]
    room = max(width - taken - 3, 0)
    for line, beside in zip(lines, aside if room >= ASIDE // 2 else [*aside[:1], "", ""], strict=True):
        line.append(f"  {beside[:room]}", "bold").pad_right(max(width - line.cell_len, 0))
    return [*lines, Text("  ".join(["", *words]).ljust(width), INVERTED)] if words else lines


def _that_fit(view: View, width: int, room: int) -> list[Text]:
    """What stands below the strings in ``room`` lines: the notice always; keys, feet and facts as far as they fit."""
    first, *others = _facts(view, width)
    notice, page = notice_lines(view, width), [Text(f" {view.page}")] if view.page else []
    others = page + others
    lines = [first, *others, *(notice or [Text("")]), *_feet(view, width, 2), Text(KEYS)]
    aside = notice or (page if room <= 3 else []) or _feet(view, width, 1)
    if len(lines) > room:
        lines = [first, *others[: max(room - 3, 0)], *(aside or [Text("")]), Text(KEYS)]
    if len(lines) > room:
        lines = [first, *(aside or [Text(KEYS)])]
    if len(lines) > room:
        lines = [first, *notice]
    return lines[max(len(lines) - max(room, 1), 0) :]


def _feet(view: View, width: int, most: int) -> list[Text]:
    """What a press of each switch does now, in ``most`` lines."""
    if not view.feet:
        return []
    words = textwrap.wrap("feet: " + ",  ".join(view.feet), max(width - 1, 8), max_lines=most, placeholder=" ...")
    return [Text(f" {line}") for line in words]


def _facts(view: View, width: int) -> list[Text]:
    """Figures: those that a player may want first."""
    return [_in_one_line(view, width), _midi(view, width), _times(view), _sound(view)]


def _in_one_line(view: View, width: int) -> Text:
    engine, midi = view.engine, view.midi
    share, peak = (each / engine.block_ms if engine.block_ms else 0.0 for each in (engine.work_ms, engine.worst_ms))
    dropouts = engine.missed + engine.late
    limiting = engine.limiter_db < LIMITING_DB
    busy = " BUSY" if midi.wire_share > BUSY_CABLE else ""
    cable, tone = (" cable", "tone ") if width >= ROOMY else ("", "")
    parts = [
        f"LIMITING {engine.limiter_db:.1f} dB" if limiting else "",
        f"load {share:.0%} (peak {peak:.0%})",
        f"dropouts {dropouts}",
        f"MIDI{cable} {midi.wire_share:.0%}{busy}" if midi.port else "no MIDI port",
        bass_words(view, tone),
    ]
    loud = limiting or dropouts or busy
    return Text(" " + "  ".join(filter(None, parts)), "bold" if loud else "")


def _sound(view: View) -> Text:
    engine = view.engine
    peaks = " ".join(f"{peak:.0f}" if peak > LOWEST_DB else "--" for peak in engine.peaks_db)
    return Text(f" outputs peak at {peaks} dBFS   limiter {engine.limiter_db:.1f} dB")


def _times(view: View) -> Text:
    engine = view.engine
    period = (
        f"   sound comes every {engine.period_ms:.1f} ms" if engine.period_ms > LONG_PERIOD * engine.block_ms else ""
    )
    latency = f"   in to out {engine.latency_ms:.0f} ms" if engine.latency_ms else ""
    return Text(
        f" a block takes {engine.work_ms:.2f} of its {engine.block_ms:.2f} ms, worst {engine.worst_ms:.2f}"
        f"   lost by the interface {engine.missed}, late {engine.late}{period}{latency}"
    )


def _midi(view: View, width: int) -> Text:
    midi = view.midi
    if not midi.port:
        return Text(" MIDI: no port; nothing is sent")
    state = "" if midi.present else " IS NOT CONNECTED" if midi.own else " IS GONE"
    figures = f"{state}   sent {midi.sent}   pluck to MIDI {midi.wait_ms:.1f} ms, worst {midi.worst_ms:.1f}"
    port = midi.port[: max(width - len(figures) - len(" MIDI "), 4)]
    return Text(f" MIDI {port}{figures}", "" if midi.present else "bold")


def notice_lines(view: View, width: int) -> list[Text]:
    """Return the fault, inverted, or what was just done; in as many lines as it takes, two at most."""
    words = textwrap.wrap(
        f"{'!! ' if view.alarm else ''}{view.notice}", max(width - 2, 8), max_lines=2, placeholder=" ..."
    )
    style = "bold reverse red" if view.alarm else ""
    return [Text(f" {line}".ljust(width), style) for line in words]
