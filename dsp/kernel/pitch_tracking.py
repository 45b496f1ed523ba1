"""The pitch of a sounding string from hop to hop: locked, followed, and stepping to another note."""

import math

from thumbline.dsp.compilation import kernel
from thumbline.dsp.kernel.evidence import LATE, expect_pitch
from thumbline.dsp.kernel.first_partial import LOOK_HOPS, aim, measure_sharpness, partial_period
from thumbline.dsp.kernel.interpolation import interpolate
from thumbline.dsp.kernel.offsets import end_note
from thumbline.dsp.memory.event_ring import emit
from thumbline.dsp.memory.events import LOCK, PITCH
from thumbline.dsp.memory.record_type import Record
from thumbline.dsp.memory.records import HOP, PLUCKED, SILENT, SOUNDING
from thumbline.dsp.memory.tick_ring import decibels, frame_of

#: Clarity that a first period must have.
LOCK_CLARITY = 0.7
#: Clarity below which a period is not taken over while the string sounds.
KEEP_CLARITY = 0.6
#: A pluck that has not proved to be a note after this time, in seconds ...
UNPROVED_S = 0.06
#: ... must have this clarity to go on.
UNPROVED_CLARITY = 0.78
#: A period longer than the old one by this ratio is likely a multiple of it ...
MULTIPLE = 1.4
#: ... and not believed while the old one has this share of its clarity.
SAME_NOTE = 0.9
#: A new pitch must stay for this long, in seconds ...
STEP_S = 0.012
#: ... and for this many of its periods.
STEP_PERIODS = 1.5
#: A step of more than this ratio is a new note, not a bend (70 cents).
NOTE_STEP = 2.0 ** (70 / 1200)
#: Periods whose ratio is this close to a whole number are of the same note (share of the ratio).
WHOLE = 0.03
#: For so long after its onset a note may turn out to be an octave off, in seconds.
DOUBT_S = 0.1
#: What is left when a hand stops a string, an overtone, has fallen this far below the level that the string should
#: still have (power); a finger that hammers on, pulls off or slides leaves more.
LEFT_OVER = 10.0 ** (-12 / 10)
#: A first period was found in little sound; until the pluck has proved to be a note it may move this much.
FIRST_STEP = 2.0 ** (250 / 1200)
#: Hops from one report of a pitch to the next until then: it gets better with every hop.
FIRST_REPORT_HOPS = 2


@kernel
def lock(p: Record, st: Record, s: int, period: float, clarity: float) -> None:
    """Take the first period of a plucked string for its pitch."""
    string = st.strings[s]
    string.phase = SOUNDING
    string.period = period
    string.last_period = period
    string.clarity = clarity
    if string.lock_tick < string.attack_tick:  # the first since the attack
        string.anchor = period
        string.late = st.level[s] if string.knock == 1 or st.level[s] < LATE * string.peak else 0.0
        string.jumps = 0
    string.lock_tick = st.tick
    expect_pitch(string)
    string.report = 0
    aim(string)
    emit(
        st,
        _moment(p, st, s),
        st.frame,
        LOCK,
        s + 1,
        p.tick_rate / partial_period(string),
        clarity,
        decibels(st.level[s]),
    )


@kernel
def track(p: Record, st: Record, s: int, period: float, clarity: float) -> None:
    """Follow the period of a sounding string; a step that stays is a new note."""
    string = st.strings[s]
    tick = st.tick
    overdue = string.note == 0 and tick - string.attack_tick > UNPROVED_S * p.tick_rate
    if clarity >= (UNPROVED_CLARITY if overdue else KEEP_CLARITY):
        if period > MULTIPLE * string.period and interpolate(st.nsdf, string.period) >= SAME_NOTE * clarity:
            return  # the wave still repeats itself as before: this is a multiple of its period
        step = max(period / string.period, string.period / period)
        if step < (NOTE_STEP if string.note == 1 else FIRST_STEP):
            string.period = period
            string.clarity = clarity
            string.candidate = 0.0
        elif string.candidate > 0.0 and max(period / string.candidate, string.candidate / period) < NOTE_STEP:
            string.candidate = period
            due = max(STEP_PERIODS * period, STEP_S * p.tick_rate)
            if clarity >= LOCK_CLARITY and tick - string.candidate_tick >= due:
                change_note(p, st, s, period, clarity)
                if string.phase == SILENT:
                    return  # it was stopped
        else:
            string.candidate = period
            string.candidate_tick = tick
    elif string.note == 0:
        string.phase = PLUCKED  # it was no period after all
        string.period = 0.0
        return
    else:
        string.clarity = clarity
        string.candidate = 0.0
    if string.clarity >= LOCK_CLARITY:
        string.octave_sum += math.log2(partial_period(string))
        string.octave_count += 1.0


@kernel
def change_note(p: Record, st: Record, s: int, period: float, clarity: float) -> None:
    """The pitch has moved to another note without a pluck, or what was known of it was wrong.

    It was wrong if one period is a multiple of the other: fingers that reach an octave or a twelfth from where they
    were make an attack of their own. Of a note that has sounded for a while this is not believed: it is fading, and
    something else is heard.
    """
    string = st.strings[s]
    onset = string.candidate_tick
    ratio = max(period / string.period, string.period / period)
    multiple = abs(ratio - math.floor(ratio + 0.5)) < WHOLE * ratio
    if string.note == 1 and multiple and st.tick - string.onset_tick > DOUBT_S * p.tick_rate:
        string.candidate = 0.0
        return
    if string.note == 1 and not multiple and st.level[s] < LEFT_OVER * string.expected_level:
        end_note(p, st, s, onset)
        return
    if string.note == 1 and not multiple:
        level = st.level[s]
        end_note(p, st, s, onset)
        st.level[s] = level  # it sounds on
        string.phase = SOUNDING
        string.note = 0
        string.pluck_tick = onset
        string.onset_tick = onset
        string.release_tick = onset
        string.peak = level
    string.period = period
    string.last_period = period
    string.clarity = clarity
    string.candidate = 0.0
    string.octave_sum = 0.0
    string.octave_count = 0.0


@kernel
def report(p: Record, st: Record, s: int) -> None:
    """Every hop of a sounding string: refine its pitch, and say it from time to time."""
    string = st.strings[s]
    if string.phase == SOUNDING:
        string.last_period += min(HOP / string.period, 1.0) * (string.period - string.last_period)
    if string.phase != SOUNDING or (string.note == 0 and string.late > 0.0):
        return
    if (st.tick // HOP) % LOOK_HOPS == 0:
        measure_sharpness(string, st.level[s])
    string.report += 1
    if string.report >= (p.report_hops if string.note == 1 else FIRST_REPORT_HOPS):
        string.report = 0
        hz = p.tick_rate / partial_period(string)
        emit(st, _moment(p, st, s), st.frame, PITCH, s + 1, hz, string.clarity, decibels(st.level[s]))


@kernel
def _moment(p: Record, st: Record, s: int) -> int:
    """The frame to which a period belongs: the middle of the waves that were compared to find it."""
    string = st.strings[s]
    back = 0.5 * min(string.window_hops * HOP + string.period, float(st.tick - string.restart_tick))
    return frame_of(p, st.tick - int(back))
