"""Whether what the hum canceller has learned, or has yet to learn, is hum: it is steady, it is nothing but multiples of
the mains frequency, and it is softer than notes.

What is left of each string is compared with the references over windows of whole mains periods, all strings alike and
all the time. A string on which hum stands above the threshold, or on which something false is subtracted, counts as
sounding, so the canceller itself does not learn there; here it is seen and put right after a few windows.
"""

import math

from thumbline.dsp.compilation import kernel
from thumbline.dsp.memory.record_type import Record
from thumbline.dsp.memory.records import ANALYSIS_STEP, HARMONICS, HOP, HUM_KNOWN, HUM_LEARNED_FAST, LANES, SILENT

#: Hum is at least this far below a typical note (power).
BELOW_NOTES = 10.0 ** (-10 / 10)
#: What is found in a window may differ by this much from what the first window of a row found (power).
UNSTEADY = 0.1
#: Windows in a row that must agree before a string without a note is corrected ...
WINDOWS = 2
#: ... and one that sounds: a note that lies on a multiple of the mains frequency fades meanwhile.
WINDOWS_OF_A_NOTE = 6
#: At its end the start is judged by the loudest millisecond of this long, in seconds.
LAST_S = 0.01
#: After a restart the phase of hum known before is searched for in this many places around the mains period ...
PLACES = 128
#: ... and then in this many between the two beside the best.
BETWEEN = 16
#: What is known must take at least this much from the strings' power together, in nepers of power, or it is forgotten.
LEAST_GAIN = 1.0


@kernel
def await_sound(p: Record, st: Record) -> None:
    """Every hop until sound comes: an interface that is being connected gives zeros, which say nothing of the hum."""
    for s in range(p.strings):
        if st.clean[s] != 0.0:
            st.hum_phase = HUM_LEARNED_FAST
            st.hum_tick = st.tick + 1 - HOP


@kernel
def watch_hum(p: Record, st: Record) -> None:
    """Every hop, once the sums have been added to: judge what a whole window, or the start, has found."""
    st.hum_hops += 1
    if st.hum_phase == HUM_LEARNED_FAST:
        _start(p, st)
    elif st.hum_phase == HUM_KNOWN and st.hum_hops >= p.hum_window:
        for s in range(p.strings):
            _judge(p, st, s)
        clear_window(st)


@kernel
def clear_window(st: Record) -> None:
    """Begin a new window."""
    st.hum_hops = 0
    for s in range(LANES):
        st.hum_power[s] = 0.0
        for k in range(HARMONICS):
            st.hum_sum_a[k, s] = 0.0
            st.hum_sum_b[k, s] = 0.0


@kernel
def _judge(p: Record, st: Record, s: int) -> None:
    """Correct one string's weights if its remainder has been steady hum for long enough."""
    found, change = 0.0, 0.0
    share = 2.0 / st.hum_hops
    for k in range(HARMONICS):
        a, b = share * st.hum_sum_a[k, s], share * st.hum_sum_b[k, s]
        found += 0.5 * (a * a + b * b)
        a, b = a - st.hum_found_a[k, s], b - st.hum_found_b[k, s]
        change += 0.5 * (a * a + b * b)
    beside = st.hum_power[s] / st.hum_hops - found
    unit = ANALYSIS_STEP * ANALYSIS_STEP
    on = unit * p.on_power[s]
    if not (found > max(0.5 * on, beside) and beside < on and found < BELOW_NOTES * unit * p.typical_power[s]):
        st.hum_steady[s] = 0
        return
    if st.hum_steady[s] > 0 and change > UNSTEADY * found:
        st.hum_steady[s] = 0
    if st.hum_steady[s] == 0:
        for k in range(HARMONICS):
            st.hum_found_a[k, s] = share * st.hum_sum_a[k, s]
            st.hum_found_b[k, s] = share * st.hum_sum_b[k, s]
    st.hum_steady[s] += 1
    string = st.strings[s]
    windows = WINDOWS_OF_A_NOTE if string.phase != SILENT and string.note == 1 else WINDOWS
    if st.hum_steady[s] < windows:
        return
    st.hum_steady[s] = 0
    st.hum_unknown[s] = 0
    for k in range(HARMONICS):
        st.hum_a[k, s] += share * st.hum_sum_a[k, s]
        st.hum_b[k, s] += share * st.hum_sum_b[k, s]


@kernel
def _start(p: Record, st: Record) -> None:
    """Every hop of the start; at its end, forget what has been learned wherever it has not made silence.

    What would be called a pluck then is a note, or what a step of the input has left behind; no hum.
    """
    left = p.hum_ticks - (st.tick + 1 - st.hum_tick)
    if left == HOP * p.hum_first_window:
        clear_window(st)
    if left <= LAST_S * p.tick_rate:
        for s in range(p.strings):
            st.hum_loudest[s] = max(st.hum_loudest[s], st.quick[s])
    if left > 0:
        return
    st.hum_phase = HUM_KNOWN
    if st.hum_kept == 1:
        st.hum_kept = 0
        _resume(p, st)
    else:
        for s in range(p.strings):
            if st.hum_loudest[s] >= p.on_power[s]:
                st.hum_doubted[s] = 1
                st.hum_unknown[s] = p.hum_period
                for k in range(HARMONICS):
                    st.hum_a[k, s] = 0.0
                    st.hum_b[k, s] = 0.0
    clear_window(st)


@kernel
def _resume(p: Record, st: Record) -> None:
    """Turn the hum that was known before a restart to where the strings' hum is now.

    Nobody knows how long nothing was heard, but it is the same time for all strings and harmonics: one angle. Strings
    that sound have no say, since what they lose by the right angle is little beside their power.
    """
    best, best_gain = 0.0, 0.0
    width = 2.0 * math.pi / PLACES
    for place in range(PLACES):
        gain = _gain(p, st, place * width)
        if gain > best_gain:
            best, best_gain = place * width, gain
    middle = best
    for place in range(1 - BETWEEN, BETWEEN):
        angle = middle + place * width / BETWEEN
        gain = _gain(p, st, angle)
        if gain > best_gain:
            best, best_gain = angle, gain
    known = best_gain > LEAST_GAIN
    for s in range(p.strings):
        st.hum_doubted[s] = 1
        st.hum_unknown[s] = 0 if known else p.hum_period
        for k in range(HARMONICS):
            a, b = st.hum_kept_a[k, s], st.hum_kept_b[k, s]
            cosine, sine = math.cos((k + 1) * best), math.sin((k + 1) * best)
            st.hum_a[k, s] = a * cosine - b * sine if known else 0.0
            st.hum_b[k, s] = a * sine + b * cosine if known else 0.0


@kernel
def _gain(p: Record, st: Record, angle: float) -> float:
    """How much the hum known before takes from the strings if it is turned by ``angle``, in nepers of power."""
    share = 2.0 / st.hum_hops
    step_re, step_im = math.cos(angle), math.sin(angle)
    gain = 0.0
    for s in range(p.strings):
        before = st.hum_power[s] / st.hum_hops
        after = before
        re, im = step_re, step_im
        for k in range(HARMONICS):
            a, b = share * st.hum_sum_a[k, s], share * st.hum_sum_b[k, s]
            kept_a, kept_b = st.hum_kept_a[k, s], st.hum_kept_b[k, s]
            turned_a, turned_b = kept_a * re - kept_b * im, kept_a * im + kept_b * re
            after += 0.5 * (turned_a * turned_a + turned_b * turned_b) - a * turned_a - b * turned_b
            re, im = re * step_re - im * step_im, re * step_im + im * step_re
        floor = 0.01 * ANALYSIS_STEP * ANALYSIS_STEP * p.on_power[s]
        gain += math.log((before + floor) / (max(after, 0.0) + floor))
    return gain
