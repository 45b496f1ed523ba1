"""The full-screen view: a pure function from a :class:`~thumbline.cli.console.view.View` to something rich can print.

One line a string, as tall as the terminal allows, the highest string on top as in tablature. Nothing rests on colour:
the bass line is shown inverted and says BASS, a muted string is hatched and says so, pitch has a needle and a word.
"""

import textwrap
from collections.abc import Sequence
from dataclasses import dataclass

from rich.console import Group, RenderableType
from rich.text import Text

from thumbline.cli.console.glyphs import large, small
from thumbline.cli.console.view import StringView, View

#: Bars begin here, in dBFS.
LOWEST_DB = -60.0
#: The needle's ends, in cents; within this much a string is in tune (common practice, no source).
NEEDLE_CENTS, IN_TUNE_CENTS = 50.0, 3.0
#: The limiter and the wire are worth a word beyond these.
LIMITING_DB, BUSY_WIRE = -0.1, 0.7
#: How often sound comes is worth a word from this many blocks on.
LONG_PERIOD = 1.5
#: Lines above and below the strings.
HEAD, FOOT = 1, 5
#: The widest bars: beyond this the eye has too far to travel.
WIDEST = 200
KEYS = " space sound  s split  h hold  o open  t tune  -+ bass  [] tone  <> song  q stop"
_EIGHTHS = " ▏▎▍▌▋▊▉█"


@dataclass(frozen=True)
class _Column:
    """A part of a string's line: as many lines as it is tall, all equally wide."""

    lines: Sequence[str]
    style: str = ""


def screen(view: View, width: int, height: int, *, plain_characters: bool = False) -> RenderableType:
    """Return the view for a terminal of ``width`` columns and ``height`` lines.

    ``plain_characters`` keeps to ASCII, for terminals that know nothing else.
    """
    width = min(width, WIDEST)
    tall = 1 if plain_characters or width < 76 else _line_height(len(view.strings), height)
    lines: list[Text] = [_head(view, width)]
    for string in view.strings:
        lines += _string(string, width, tall, plain_characters)
    lines += _that_fit(_foot(view, width), notice_lines(view, width), height - len(lines))
    for line in lines:
        line.truncate(width, overflow="crop")
        line.no_wrap = True
    return Group(*lines[:height])


def _that_fit(facts: list[Text], notice: list[Text], room: int) -> list[Text]:
    """Facts, notice and keys in ``room`` lines: the keys go first, then the facts; the notice stays."""
    lines = [*facts, *(notice or [Text("")]), Text(KEYS, "dim")]
    if len(lines) > room:
        lines = [*facts, *notice]
    return lines[max(len(lines) - max(room, 1), 0) :]


def _line_height(strings: int, height: int) -> int:
    """Lines for each string: 1, 3, or 6 and more."""
    room = (height - HEAD - FOOT) // strings
    return min(room, 7) if room >= 6 else 3 if room >= 3 else 1


def _head(view: View, width: int) -> Text:
    setting = f"{view.setting_number}/{view.setting_count} " if view.setting_count > 1 else ""
    minutes, seconds = divmod(int(view.elapsed_s), 60)
    left = f" {setting}{view.setting}"
    words = [
        "SOUND ON" if view.engine.sound_on else "SOUND OFF",
        "split on" if view.split else "SPLIT OFF",
        *(["HOLD"] if view.hold else []),
        *(["ALL OPEN"] if view.all_open else []),
        *([view.recording] if view.recording else []),
        view.engine.status,
        f"{minutes}:{seconds:02d}" if view.done is None else f"{minutes}:{seconds:02d} {view.done:4.0%}",
    ]
    right = "  ".join(words) + " "
    name = left[: max(width - len(right) - 1, 0)]
    return Text(name + " " * max(width - len(name) - len(right), 0) + right, "bold")


def _string(string: StringView, width: int, tall: int, plain: bool) -> list[Text]:
    columns = _one_line(string, width, plain) if tall == 1 else _big_line(string, width, tall)
    lines = []
    for row in range(tall):
        line = Text(" ")
        for column in columns:
            line.append(column.lines[row], column.style).append("  ")
        line.pad_right(max(width - line.cell_len, 0))
        if string.bass:
            line.stylize("bold reverse")
        lines.append(line)
    return lines


def _one_line(string: StringView, width: int, plain: bool) -> list[_Column]:
    room = max(width - 48, 0)
    bar = _bar(string.level_db, room)
    if plain:
        bar = "#" * round(room * _share(string.level_db)) + " " * (room - round(room * _share(string.level_db)))
    return [
        _Column([f"{string.number:2d} {string.open_note:3}"], "dim"),
        _Column([f"{string.note:4}"], "bold"),
        _Column([_pitch_words(string, arrows=not plain).center(13 if room else 12)]),
        *([_Column([bar])] if room else []),
        _Column(["MUTED" if string.muted else "open "]),
        _Column(["BASS" if string.bass else "    "]),
    ]


def _big_line(string: StringView, width: int, tall: int) -> list[_Column]:
    draw = small if tall < 6 else large
    note, word = draw(string.note.ljust(3)[:4]), draw("BASS" if string.bass else "    ")
    wide = len(note[0])
    if len(string.note) > 3:  # as in C#-1, beyond any string: kept from pushing the rest aside
        note = [line[: len(draw("   ")[0])] for line in note]
        wide = len(note[0])
    needle = 21 if tall < 6 else 41
    room = max(width - 1 - 4 - wide - needle - 7 - len(word[0]) - 6 * 2, 4)
    solid = tall - 1  # the last line holds words
    number = [""] * tall
    number[0], number[1] = str(string.number), string.open_note
    return [
        _Column([f"{text:>3} " for text in number], "dim"),
        _Column(_filled(note, tall), "bold" if string.sounding else "dim"),
        _Column([*_needle(string, needle, solid), _pitch_words(string, arrows=True).center(needle)]),
        _Column([*[_bar(string.level_db, room)] * solid, _level_words(string).ljust(room)]),
        _Column(_mute(string, tall)),
        _Column(_filled(word, tall)),
    ]


def _filled(lines: list[str], tall: int) -> list[str]:
    return [*lines, *[" " * len(lines[0])] * (tall - len(lines))]


def _needle(string: StringView, wide: int, tall: int) -> list[str]:
    """A mark over a scale whose middle is the note itself."""
    middle = wide // 2
    scale = ["·" if column % 5 == middle % 5 else " " for column in range(wide)]
    scale[middle] = "│"
    if not string.note:
        return [" " * wide] * (tall - 1) + ["".join(scale)]
    place = middle + round(middle * max(-1.0, min(string.cents / NEEDLE_CENTS, 1.0)))
    mark = list(scale)
    for column in (place - 1, place, place + 1) if abs(string.cents) > IN_TUNE_CENTS else range(middle - 2, middle + 3):
        if 0 <= column < wide:
            mark[column] = "█"
    return ["".join(mark)] * tall


def _pitch_words(string: StringView, *, arrows: bool) -> str:
    if not string.note:
        return ""
    if abs(string.cents) <= IN_TUNE_CENTS:
        return f"true {string.cents:+.0f}"
    if string.cents < 0:
        return ("◀ " if arrows else "") + f"flat {string.cents:+.0f}"
    return f"sharp {string.cents:+.0f}" + (" ▶" if arrows else "")


def _share(level_db: float) -> float:
    return max(0.0, min((level_db - LOWEST_DB) / -LOWEST_DB, 1.0))


def _bar(level_db: float, wide: int) -> str:
    eighths = round(8 * wide * _share(level_db))
    whole, part = divmod(eighths, 8)
    bar = "█" * whole + (_EIGHTHS[part] if part else "")
    return bar.ljust(wide)


def _level_words(string: StringView) -> str:
    return f"{string.level_db:.0f} dB" if string.level_db > LOWEST_DB else ""


def _mute(string: StringView, tall: int) -> list[str]:
    middle = (tall - 1) // 2
    if string.muted:
        return [
            " MUTED " if row == middle else "▒▒▒▒▒▒▒" if row < tall - 1 or tall == 3 else " " * 7 for row in range(tall)
        ]
    return [" open  " if row == middle else " " * 7 for row in range(tall)]


def _foot(view: View, width: int) -> list[Text]:
    return [_sound(view), _work(view), _wire(view, width)]


def _sound(view: View) -> Text:
    engine = view.engine
    peaks = " ".join(f"{peak:.0f}" if peak > LOWEST_DB else "--" for peak in engine.peaks_db)
    limiting = engine.limiter_db < LIMITING_DB
    return Text(
        f" out {peaks} dB   limiter {engine.limiter_db:.1f} dB{' LIMITING' if limiting else ''}"
        f"   bass {view.bass_level_db:+.0f} dB {view.interval:+.0f} st {view.tone_hz:.0f} Hz",
        "bold yellow" if limiting else "",
    )


def _work(view: View) -> Text:
    engine = view.engine
    share = engine.work_ms / engine.block_ms if engine.block_ms else 0.0
    period = f"   comes every {engine.period_ms:.1f} ms" if engine.period_ms > LONG_PERIOD * engine.block_ms else ""
    latency = f"   in to out {engine.latency_ms:.0f} ms" if engine.latency_ms else ""
    return Text(
        f" work {engine.work_ms:.2f} of {engine.block_ms:.2f} ms ({share:.0%}), worst {engine.worst_ms:.2f}"
        f"   missed {engine.missed}   late {engine.late}{period}{latency}",
        "bold" if engine.missed or engine.late else "",
    )


def _wire(view: View, width: int) -> Text:
    midi = view.midi
    if not midi.port:
        return Text(" MIDI: no port; nothing is sent")
    state = "" if midi.present else " IS NOT CONNECTED" if midi.own else " IS GONE"
    figures = (
        f"{state}   wire {midi.wire_share:.0%}{' BUSY' if midi.wire_share > BUSY_WIRE else ''}   sent {midi.sent}"
        f"   pluck to MIDI {midi.wait_ms:.1f} ms, worst {midi.worst_ms:.1f}"
    )
    port = midi.port[: max(width - len(figures) - len(" MIDI "), 4)]
    return Text(f" MIDI {port}{figures}", "" if midi.present else "bold")


def notice_lines(view: View, width: int) -> list[Text]:
    """Return the fault, inverted, or what was just done; in as many lines as it takes, two at most."""
    words = textwrap.wrap(
        f"{'!! ' if view.alarm else ''}{view.notice}", max(width - 2, 8), max_lines=2, placeholder=" ..."
    )
    style = "bold reverse red" if view.alarm else ""
    return [Text(f" {line}".ljust(width), style) for line in words]
