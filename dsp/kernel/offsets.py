"""When a note ends: it has faded, or falls faster than any string rings out; and what may still ring of it then."""

from thumbline.dsp.compilation import kernel
from thumbline.dsp.kernel.evidence import ALIKE, FASTEST_NOTE_DB_S, fall_db_s
from thumbline.dsp.kernel.first_partial import partial_period
from thumbline.dsp.memory.event_ring import emit
from thumbline.dsp.memory.events import END
from thumbline.dsp.memory.record_type import Record
from thumbline.dsp.memory.records import HOP, PLUCKED, SILENT, SOUNDING
from thumbline.dsp.memory.tick_ring import decibels, frame_of, span_power

#: A pluck without a pitch is given up after this time and three periods of the lowest note, in seconds.
NOISE_S = 0.06
#: What has fallen this far below the level it should still have is stopped (power).
STOPPED = 10.0 ** (-18 / 10)
#: A note that has faded this far below its own peak is over (power).
FADED = 10.0 ** (-38 / 10)
#: Where the end of a stopped note is dated: the last tick louder than this (power).
END_SHARE = 10.0 ** (-20 / 10)
#: The end is never dated where it is softer than this share of the threshold at which a note has faded (power) ...
LEAST_END_SHARE = 0.5
#: ... nor longer ago than this, in seconds.
LONGEST_END_S = 0.04
#: A new pluck must stand this far above the loudest millisecond of the last note's last period (power) ...
ABOVE_TAIL = 10.0 ** (3 / 10)
#: ... or this far above the level that a thump had (power).
ABOVE_THUMP = 10.0 ** (12 / 10)
#: What a thump leaves may hum on and fade this slowly, in dB per second.
THUMP_FADE_DB_S = 60.0
#: A tail this far under the threshold is forgotten (power).
TAIL_GONE = 0.25
#: What rings on may swell again where its planes of vibration beat, in dB per second; a pluck rises a hundred times as
#: fast.
SWELL_DB_S = 100.0
#: What rings on is followed for this long after the note's end, in seconds.
RINGS_ON_S = 2.0


@kernel
def watch_end(p: Record, st: Record, s: int) -> None:
    """Every hop: end what has been stopped, has faded, or has no pitch; the end is dated where the sound went."""
    string = st.strings[s]
    tick = st.tick
    alike = string.phase == SOUNDING and string.alike >= ALIKE
    # Where hum is not known yet, a stopped string does not fall to nothing: how fast it falls must tell.
    if alike and (st.hum_unknown[s] == 0 or fall_db_s(p, string, tick) < FASTEST_NOTE_DB_S):
        # It dies away, but it is still that note.
        string.expected_level = min(string.expected_level, st.level[s] / STOPPED)
    stopped = string.note == 1 and not alike and st.level[s] < STOPPED * string.expected_level
    # Without a pitch by now it will not be a note.
    noise = string.phase == PLUCKED and tick - string.attack_tick > NOISE_S * p.tick_rate + 3 * p.lag_max[s]
    faded = st.level[s] < max(p.off_power[s], FADED * string.peak)
    if stopped or noise or faded:
        share = max(END_SHARE * string.expected_level, LEAST_END_SHARE * p.off_power[s])
        at = tick
        first = max(string.onset_tick, tick - int(LONGEST_END_S * p.tick_rate))
        while at > first and span_power(string, at + 1 - p.short_ticks, at + 1) < share:
            at -= 1
        end_note(p, st, s, at)


@kernel
def end_note(p: Record, st: Record, s: int, at: int) -> None:
    """End a string's note, or what was plucked and never became one, at tick ``at``."""
    string = st.strings[s]
    hz = 0.0
    if string.octave_count > 0.0:
        hz = p.tick_rate / 2.0 ** (string.octave_sum / string.octave_count)
    elif string.period > 0.0:
        hz = p.tick_rate / partial_period(string)
    emit(st, frame_of(p, at), st.frame, END, s + 1, hz, decibels(string.peak), float(string.note))
    string.end_tick = at
    string.tail_span = int(string.period) if string.note == 1 else 0
    if string.note == 1:
        string.tail = ABOVE_TAIL * max(string.recent_peak, loudest_moment(p, string, st.tick))
    else:
        string.tail = ABOVE_THUMP * string.recent_peak
    string.phase = SILENT
    string.period = 0.0
    st.level[s] = 0.0


@kernel
def end_all(p: Record, st: Record) -> None:
    """The take is over: end what still sounds."""
    for s in range(p.strings):
        if st.strings[s].phase != SILENT:
            end_note(p, st, s, max(st.tick - 1, 0))


@kernel
def decay_tail(p: Record, st: Record, s: int) -> None:
    """Every hop: let what may still ring of the last note of a silent string fall as the signal falls."""
    string = st.strings[s]
    if string.tail_span == 0:
        string.tail *= 10.0 ** (-0.1 * THUMP_FADE_DB_S * HOP / p.tick_rate)
        if string.tail < TAIL_GONE * p.on_power[s]:
            string.tail = 0.0
    elif st.tick - string.end_tick > RINGS_ON_S * p.tick_rate:
        string.tail = 0.0
    elif string.tail > 0.0:
        swollen = string.tail * 10.0 ** (0.1 * SWELL_DB_S * HOP / p.tick_rate)
        string.tail = min(swollen, ABOVE_TAIL * loudest_moment(p, string, st.tick))


@kernel
def loudest_moment(p: Record, string: Record, tick: int) -> float:
    """Power of the loudest millisecond of the last ``tail_span`` ticks."""
    span = p.short_ticks
    end = tick + 1
    loudest = 0.0
    first = end - max(string.tail_span, span)
    while end > first:
        loudest = max(loudest, span_power(string, end - span, end))
        end -= max(span // 3, 1)  # overlapping, so that no pulse falls between two
    return loudest
