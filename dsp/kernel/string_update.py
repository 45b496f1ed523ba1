"""What each string is doing: the order of work in a hop, and the life of a note.

A pluck makes a silent string *plucked*: the bass may pass to it at once. When its pitch is known it is *sounding*.
Whether the pluck was a *note* is known a little later still, when there is evidence enough (`evidence`). ``proof`` is
whether the bass may pass to the string: a pluck that most strings hear alike, or that fades without evidence, is
doubted.

Three fields of a string's record hold this: ``phase``, ``note`` and ``proof``. While the string is ``SILENT``, ``note``
and ``proof`` are those of its last pluck; while it is ``PLUCKED``, ``note`` is 0.

========================================  =========================================================  ==================
from                                      to                                                         by
========================================  =========================================================  ==================
``SILENT``, struck                        ``PLUCKED``, note 0, ``UNPROVED`` (a string that has the   ``start_note``
                                          bass and is believed stays so); event PLUCK
``UNPROVED``                              ``BELIEVED``, or ``DOUBTED`` if most strings hear it       ``prove``
note 0, not yet ``DOUBTED``               ``DOUBTED``: it fades before there is evidence of a note   ``doubt``
``PLUCKED``, a period is found            ``SOUNDING``; event LOCK                                   ``lock``
``SOUNDING``, note 0, clarity lost        ``PLUCKED``: it was not a period                           ``track``
``SOUNDING``, note 0, evidence is 1       note 1; ``DOUBTED`` becomes ``BELIEVED``; event NOTE       ``call_note``
``SOUNDING``, note 1, the pitch moves     note 0, still ``SOUNDING``; event END. ``SILENT`` if       ``change_note``
                                          little is left, as where a hand stops a string
note 1, struck again or changed           ``PLUCKED`` anew; events END, PLUCK                        ``answer_attack``
note 0, settled, struck again or changed  ``PLUCKED`` anew; events NOTE, END, PLUCK                  ``answer_attack``
note 0, struck again within 30 ms         ``PLUCKED`` anew, ``UNPROVED`` unless ``BELIEVED``         ``reset_note``
note 0, struck again later                ``PLUCKED`` anew; events END, PLUCK                        ``answer_attack``
tuned otherwise by another setting        ``PLUCKED`` anew; events END, PLUCK                        ``change_setting``
stopped, faded, or no pitch at all        ``SILENT``; event END                                      ``watch_end``
the take ends                             ``SILENT``; event END                                      ``end_all``
========================================  =========================================================  ==================
"""

from thumbline.dsp.compilation import kernel
from thumbline.dsp.kernel.confirmation import confirm, doubt
from thumbline.dsp.kernel.evidence import likeness, weigh
from thumbline.dsp.kernel.offsets import watch_end
from thumbline.dsp.kernel.onsets import answer_attack
from thumbline.dsp.kernel.period import BEYOND, follow, forget_pick_noise, normalised_difference, pick_period
from thumbline.dsp.kernel.pitch_tracking import LOCK_CLARITY, lock, report, track
from thumbline.dsp.kernel.release import date_release
from thumbline.dsp.memory.record_type import Record
from thumbline.dsp.memory.records import HOP, SHORTEST_WINDOW_S, SILENT, SOUNDING, WINDOW_PERIODS
from thumbline.dsp.memory.tick_ring import span_power

#: While a period is unknown, the window is this share of the longest one: soon nothing of the attack is left in it.
UNKNOWN_WINDOW = 0.6
#: While a period is unknown, the level is that of this share of the open string's: its wave may be all pulses.
UNKNOWN_PERIOD_SHARE = 0.88


@kernel
def update_string(p: Record, st: Record, s: int) -> None:
    """Every hop: level, pitch and phase of one string that is not silent."""
    string = st.strings[s]
    tick = st.tick
    answer_attack(p, st, s)
    lag_max = p.lag_max[s]
    if string.note == 0:
        date_release(p, st, s)
        forget_pick_noise(string, tick, p.short_ticks, p.hop_mask[s], lag_max + BEYOND + 1)
    wanted = WINDOW_PERIODS * string.period if string.period > 0.0 else UNKNOWN_WINDOW * lag_max
    follow(string, tick, p.hop_mask[s], lag_max + BEYOND + 1, int(max(wanted, SHORTEST_WINDOW_S * p.tick_rate)))
    measure_level(p, st, s)
    if string.note == 0 or (tick // HOP) % 2 == 0:  # an established note is followed at half the pace
        known = normalised_difference(string, tick, lag_max, st.nsdf)
        period, clarity = pick_period(st.nsdf, p.lag_min[s], lag_max, known)
        if string.phase == SOUNDING:
            track(p, st, s, period, clarity)
            if string.phase == SILENT:
                return
        elif clarity >= LOCK_CLARITY:
            lock(p, st, s, period, clarity)
        string.alike = likeness(string, tick, period, clarity) if clarity > 0.0 else 0.0
        if string.note == 0:
            weigh(p, st, s)
            confirm(p, st, s)
    doubt(p, st, s)
    report(p, st, s)
    watch_end(p, st, s)


@kernel
def measure_level(p: Record, st: Record, s: int) -> None:
    """Power over the last period, or over as much of it as is known, and the expected level."""
    string = st.strings[s]
    tick = st.tick
    if string.period > 0.0:
        whole = int(string.period + 0.5)
    else:
        whole = int(max(SHORTEST_WINDOW_S * p.tick_rate, UNKNOWN_PERIOD_SHARE * p.open_period[s]))
    whole = max(whole, 2 * HOP)
    span = min(whole, tick + 1 - string.restart_tick)
    st.level[s] = span_power(string, tick + 1 - span, tick + 1)
    string.expected_level = max(st.level[s], string.expected_level * p.fastest_fade)
    if span == whole:  # less says nothing of a wave made of pulses
        string.peak = max(string.peak, st.level[s])
