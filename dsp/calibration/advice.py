"""What a player should look at after a calibration, one sentence for each thing, and the one line that mends it."""

from collections.abc import Iterator, Sequence

import numpy as np

from thumbline.dsp.calibration.report import StringReport
from thumbline.dsp.note_names import midi_to_note
from thumbline.dsp.rig.model import Rig

#: A string further off its note than this is called out of tune, in cents (common practice, no source).
OUT_OF_TUNE_CENTS = 10.0
#: Further off than this it is not that string.
ANOTHER_NOTE_CENTS = 150.0
#: All strings are off by the same number of semitones if each is this near to it, in cents.
COMMON_CENTS = 30.0
#: Less distance than this between floor and notes makes thresholds a gamble, in dB.
LEAST_RANGE_DB = 30.0
#: More bleed than this is unusual for a hexaphonic pickup (common practice, no source).
MUCH_BLEED_DB = -12.0
#: Notes nearer than this to the hum are a gamble too, in dB.
LEAST_HUM_RANGE_DB = 25.0
#: Of the time for which a string sounds, so much it should be heard alone, or its bleed is a guess.
LEAST_ALONE = 0.2
#: Shorter notes have no level of their own, in seconds: of a second that rings, the loud half is taken.
SHORTEST_S = 0.35
#: If more than this share of a string's notes are others than the rest, something else was heard.
MOST_STRAYS = 0.34
#: Bleed that is left after removal and passes thresholds, in dB.
MOST_LEFT_DB = -30.0
#: So many flat tops below full scale are no chance.
FLAT_TOPS = 5


def warnings(
    rig: Rig,
    reports: Sequence[StringReport],
    pitches: Sequence[Sequence[float]],
    same: Sequence[tuple[int, ...]] = (),
) -> Iterator[str]:
    """Yield one sentence for each thing: what all strings have in common, then string by string.

    ``pitches`` are the key numbers of each string's notes; ``same`` are groups of strings whose channels hold the same.
    """
    common = _in_common(rig, reports, pitches)
    if common:
        yield common
    yield from _of_all(reports, same)
    together = _are_played_together(reports)
    for report in reports:
        name = f"string {report.string} ({report.note}, channel {report.channel})"
        if not report.played:
            yield f"{name}: never heard; dead channel, loose cable, or not played? Levels of the other strings are used"
            continue
        if report.cents is None:
            if not any(report.string in group for group in same):
                level = f"heard at {report.level_db:.0f} dBFS"
                yield f"{name}: {level}, but no note was recognised; damped, too soft, or not a string?"
        elif common:
            pass
        elif abs(report.cents) >= ANOTHER_NOTE_CENTS:
            yield _wrong_note(rig, report, name, float(np.median(pitches[report.string - 1])))
        elif abs(report.cents) > OUT_OF_TUNE_CENTS:
            yield f"{name}: {report.cents:+.0f} cents out of tune"
        yield from _of_sound(report, name)
        yield from _of_playing(report, name, alone_is_said=together)


def _of_all(reports: Sequence[StringReport], same: Sequence[tuple[int, ...]]) -> Iterator[str]:
    """Say what is not one string's: hum, one sound in two channels, strings played together."""
    humming = [each for each in reports if each.hum_db is not None]
    near = [each for each in humming if each.played and each.level_db - (each.hum_db or 0.0) < LEAST_HUM_RANGE_DB]
    if near:
        worst = min(near, key=lambda each: each.level_db - (each.hum_db or 0.0))
        below_db = worst.level_db - (worst.hum_db or 0.0)
        yield (
            f"mains hum of {worst.hum_db:.0f} dBFS on string {worst.string}, {below_db:.0f} dB below its notes; "
            "look for a ground loop or a lamp or screen nearby (never lift the protective earth)"
        )
    for group in same:
        names = ", ".join(map(str, group[:-1])) + f" and {group[-1]}"
        yield f"strings {names} carry the same sound; one cable or channel for all of them?"
    if _are_played_together(reports):
        yield (
            "strings are hardly ever heard alone, as in chords or talk; what they leave in one another is a guess. "
            "Pluck each open string by itself, the others damped"
        )


def _are_played_together(reports: Sequence[StringReport]) -> bool:
    played = [each for each in reports if each.played]
    return 2 * sum(each.alone < LEAST_ALONE for each in played) > len(played)


def _of_sound(report: StringReport, name: str) -> Iterator[str]:
    if report.clipped:
        yield f"{name}: clipped ({report.clipped} samples at full scale); turn the input down and play again"
    elif report.flat_tops >= FLAT_TOPS:
        yield (
            f"{name}: {report.flat_tops} flat tops below full scale; clipped before the input? Turn the pickup or "
            "preamplifier down and play again"
        )
    if report.level_db - report.floor_db < LEAST_RANGE_DB:
        distance = report.level_db - report.floor_db
        yield f"{name}: notes are only {distance:.0f} dB above the noise; turn the input up or look for hum"
    if report.bleed_doubted:
        yield (
            f"{name}: what it hears of the other strings is not believed and left in, since strings were hardly heard "
            "alone; pluck each string by itself, or are two channels the same?"
        )
    elif report.bleed_db is not None and report.bleed_db > MUCH_BLEED_DB:
        yield f"{name}: hears string {report.bleed_from} at {report.bleed_db:.0f} dB; is the pickup centred?"


def _of_playing(report: StringReport, name: str, *, alone_is_said: bool) -> Iterator[str]:
    if report.alone < LEAST_ALONE and not alone_is_said:
        yield (
            f"{name}: heard alone for {100 * report.alone:.0f} % of its time only; what others hear of it is a guess. "
            "Pluck it by itself, the others damped"
        )
    if report.lasts_s is not None and report.lasts_s < SHORTEST_S:
        yield (
            f"{name}: its notes last {report.lasts_s:.2f} s, too short to measure levels by; let each ring for a second"
        )
    if report.strays > MOST_STRAYS * report.notes:
        yield (
            f"{name}: {report.strays} of its {report.notes} notes are others than the rest; a tune, talk or hum? "
            "Pluck the open string alone"
        )
    if report.left_db is not None and report.left_db > MOST_LEFT_DB and not report.bleed_doubted:
        yield (
            f"{name}: while string {report.left_from} is played, {report.left_db:.0f} dB of it are left here after "
            "bleed is removed; were the others damped and was it quiet? Else its bleed has a colour"
        )


def _in_common(rig: Rig, reports: Sequence[StringReport], pitches: Sequence[Sequence[float]]) -> str | None:
    """Name what every recognised string has off in the same way, with the line that mends it."""
    known = [report for report in reports if report.played and report.cents is not None]
    if len(known) < 3:
        return None
    heard = {report.string: float(np.median(pitches[report.string - 1])) for report in known}
    order = _order(rig, heard)
    if order:
        return f"the strings arrive in another order; set input.channels = {order}"
    cents = np.array([report.cents for report in known], float)
    semitones = round(float(np.median(cents)) / 100.0)
    if not semitones or np.abs(cents - 100.0 * semitones).max() > COMMON_CENTS:
        return None
    if 0 < semitones + rig.instrument.capo <= 12 and semitones > 0:
        return (
            f"all strings sound {_count(semitones)} higher; with a capo set instrument.capo = "
            f"{rig.instrument.capo + semitones}"
        )
    tuned = [midi_to_note(round(float(each)) - rig.instrument.capo + semitones) for each in rig.open_midi]
    shown = ", ".join(f'"{note}"' for note in tuned)
    side = "higher" if semitones > 0 else "lower"
    return f"all strings are tuned {_count(abs(semitones))} {side}; set instrument.strings = [{shown}]"


def _count(semitones: int) -> str:
    return "a semitone" if semitones == 1 else f"{semitones} semitones"


def _order(rig: Rig, heard: dict[int, float]) -> list[int] | None:
    """Return the channels that would put every string in its place, if each sounds as another and all are known."""
    if len(heard) < rig.string_count:
        return None
    nearest = {string: int(np.argmin(np.abs(rig.open_midi - midi))) for string, midi in heard.items()}
    fits = all(abs(float(rig.open_midi[nearest[string]]) - midi) < 0.5 for string, midi in heard.items())
    moved = sum(nearest[string] != string - 1 for string in heard)
    if not fits or moved < 3 or len(set(nearest.values())) < rig.string_count:
        return None
    channels = [0] * rig.string_count
    for string, place in nearest.items():
        channels[place] = rig.input.channels[string - 1]
    return channels


def _wrong_note(rig: Rig, report: StringReport, name: str, midi: float) -> str:
    """Say of a channel that carries another note than its string: swapped, or tuned otherwise."""
    nearest = int(np.argmin(np.abs(rig.open_midi - midi)))
    if abs(rig.open_midi[nearest] - midi) < 0.5:
        return (
            f"{name}: sounds like string {nearest + 1} ({rig.instrument.strings[nearest]}); swapped? "
            f"Then set input.channels so that string {nearest + 1} has channel {report.channel}"
        )
    return f"{name}: {report.cents:+.0f} cents from its note; another tuning? Then set instrument.strings"
