"""The processor's memory: one record of parameters and one of state.

Everything the compiled kernel knows lies in these NumPy structured types, by name: in ordinary memory, in shared
memory, or in a test. Nothing is allocated while sound passes.

Time is counted in three units:

* a *frame* is one sample of every channel at the take's rate;
* a *tick* is one sample of the decimated analysis signal (about 12 kHz);
* a *hop* is ``HOP`` ticks (two thirds of a millisecond): decisions are taken once a hop.

Ticks and hops are counted from the first frame, so that no result depends on how a take is cut into blocks.
"""

import numpy as np

from thumbline.dsp.memory.events import EVENT, EVENTS
from thumbline.dsp.memory.record_type import Record, record_type
from thumbline.dsp.memory.voice_records import CHARACTERS, CONTROLS, HEAD, HEADS, TAIL, TIMBRE, TONE_STAGE

MAX_STRINGS = 10
#: Columns of the arrays in which strings lie side by side: three vectors of four, whatever the guitar.
LANES = 12
#: Strings that are worked on at once: one vector register of 64-bit floats. The compiler finds the vector where
#: elements of a slice of this length have constant indices; ``s + 1`` might wrap around, for all it knows.
LANE_GROUP = 4
#: Frames of each string's past kept for the bass voice: three periods of B0 at 192 kHz (power of two).
HISTORY = 32768
#: Ticks of each string's past kept for analysis (power of two).
TICKS = 2048
#: Ticks a hop.
HOP = 8
#: Hops whose products are kept: the longest analysis window, two periods of the lowest string.
HOPS = 128
#: Longest period that can be tracked, in ticks.
LAGS = 640
#: Longest decimation filter, in frames.
TAPS = 256
#: Squares of analysis samples kept for the quick level (power of two).
SQUARES = 32
#: Mains harmonics that are removed (fundamental included).
HARMONICS = 6
#: Columns of the kernel's output.
BASS, LEFT, RIGHT, OUTPUTS = 0, 1, 2, 3

#: What a string is doing.
SILENT, PLUCKED, SOUNDING = 0, 1, 2
#: Whether a pluck is believed to be one: not asked yet; yes; no, it is a thump or a knock so far.
UNPROVED, BELIEVED, DOUBTED = 0, 1, 2

#: Hum: no sound has come yet; it is being learned and no pluck is looked for; it is known, or there is none to learn.
HUM_AWAITED, HUM_LEARNED_FAST, HUM_KNOWN = 0, 1, 2

#: Rules by which the bass string is chosen, in the order in which the rig file lists them, and voices of the bass.
LOWEST_STRING, LOWEST_PITCH, LAST_PLUCKED = 0, 1, 2
SHIFTED, SYNTH = 0, 1
#: What the bass does in a rest.
STOP, FADE, NEXT_STRING = 0, 1, 2
#: Window of a sounding string's pitch, in periods, and the shortest one, in seconds.
WINDOW_PERIODS, SHORTEST_WINDOW_S = 2.0, 0.008
#: A string left to itself does not fade faster than this, in dB per second.
FASTEST_FADE_DB_S = 200.0
#: Analysis samples are whole multiples of this step (-120 dBFS), so that sums of their squares are exact integers
#: that can be added up for weeks without drift.
ANALYSIS_STEP = 2.0**-20
#: Analysis samples are clipped at this many steps: 24 dB above full scale, and exact in a 32-bit float.
ANALYSIS_CLIP = 2.0**24

PARAMS = record_type(
    [
        ("rate", "f8"),  # frames per second
        ("strings", "i8"),
        ("decimation", "i8"),  # frames per tick
        ("tick_rate", "f8"),
        # conditioning
        ("channel", "i8", LANES),  # column of each string, from 0
        ("gain", "f8", LANES),  # trim and polarity
        ("unbleed", "f8", (MAX_STRINGS, LANES)),  # [from channel, to string]
        ("dc_pole", "f8"),
        ("hum_harmonics", "i8"),  # 0: no mains removal
        ("hum_cos", "f8", HARMONICS),  # rotation a frame
        ("hum_sin", "f8", HARMONICS),
        ("hum_step", "f8"),  # adaptation a hop while a string is silent
        ("hum_first_step", "f8"),  # and at most in the beginning
        ("hum_delay", "i8"),  # frames after which a sample is learned from
        ("hum_back_cos", "f8", HARMONICS),  # rotation over that time
        ("hum_back_sin", "f8", HARMONICS),
        ("hum_ticks", "i8"),  # for so long after the first sound hum is learned, and no pluck is looked for
        ("hum_below", "f8", MAX_STRINGS),  # softer than this a string may be learned from
        ("hum_window", "i8"),  # hops over which the remainder is compared with the references,
        ("hum_first_window", "i8"),  # and at the end of that beginning
        ("hum_period", "i8"),  # hops of one mains period
        # analysis
        ("past_mask", "i8"),  # rows of past in use, less one: no more memory is touched than the strings need
        ("taps", "i8"),
        ("fir_mask", "i8"),  # rows of fir_past in use, less one
        ("fir", "f8", TAPS),
        ("highpass", "f8", (5, LANES)),  # b0 b1 b2 a1 a2
        ("on_power", "f8", MAX_STRINGS),  # mean square, analysis steps
        ("off_power", "f8", MAX_STRINGS),
        ("guard", "f8"),  # power ratio: a string must exceed this share of the loudest other one
        ("strong_power", "f8", MAX_STRINGS),  # what reaches this need not be waited for any longer
        ("short_ticks", "i8"),  # window of the quick level
        ("still_ticks", "i8"),  # a channel that has not moved for so long hears no string
        ("lag_min", "i8", MAX_STRINGS),
        ("lag_max", "i8", MAX_STRINGS),
        ("hop_mask", "i8", MAX_STRINGS),  # rows of products in use, less one
        ("open_period", "f8", MAX_STRINGS),  # ticks
        ("fastest_fade", "f8"),  # power factor per hop
        ("patience", "f8"),  # share of the usual time for which a pitch must agree until it is a note
        ("faint_ticks", "i8"),  # a pluck that is not strong is waited for so long
        ("proof_ticks", "i8"),  # and every pluck is listened to for so long
        ("report_hops", "i8"),
        # choice
        ("rule", "i8"),
        ("carries", "i8", MAX_STRINGS),
        ("highest_hz", "f8"),
        ("rest", "i8"),  # STOP, FADE, NEXT_STRING
        ("settle_ticks", "i8"),
        ("hold_ticks", "i8"),
        # bass voice
        ("voice", "i8"),
        ("ratio", "f8"),
        ("bass_gain", "f8"),
        ("tone", "f8", 5),  # b0 b1 b2 a1 a2
        ("dynamics", "f8"),
        ("typical_power", "f8", MAX_STRINGS),
        ("fade_step", "f8"),  # gain per frame at a hand-over
        ("rest_fade", "f8"),  # power factor per hop with which a note dies away in a rest; 0: it stops
        ("attack_step", "f8"),  # gain per frame for a plucked string
        ("linger_step", "f8"),  # level per frame that a string loses under the pluck of another; 0: it is cut off
        ("longest_lead", "f8"),  # frames of an attack before the decision that are still heard
        ("slowing", "f8"),  # share of the way per frame from the attack's own speed to the interval's
        ("smoothing", "f8"),  # share of the way per frame, for levels and dynamics
        # tone stage of the bass
        ("timbre", "f8", TIMBRE),  # the setting's own
        ("timbres", "f8", (len(CHARACTERS), TIMBRE)),  # all that the player may choose
        ("stage_low", "f8"),  # these filters: share of the way per tick
        ("stage_high", "f8"),
        ("stage_rise", "f8"),
        ("stage_fall", "f8"),
        ("stage_compress", "f8"),
        ("stage_recover", "f8"),
        ("stage_threshold", "f8"),  # mean square from which on it is compressed, at a gain of 1
        # remainder and outputs
        ("all_strings", "i8"),
        ("pan", "f8", (MAX_STRINGS, 2)),
        ("ceiling", "f8"),
        ("limiter_release", "f8"),
    ]
)

STRING = record_type(
    [
        (
            "ticks",
            "f4",
            2 * TICKS,
        ),  # analysis signal, newest first, stored twice so that any span is contiguous
        (
            "energy",
            "i8",
            2 * TICKS,
        ),  # their sum of squares up to each tick, likewise (wraps; differences are exact)
        ("energy_now", "i8"),
        ("products", "f4", (HOPS, LAGS)),  # sum of x[t] x[t-lag] over each hop
        ("correlation", "f8", LAGS),  # sum of the products in the window
        ("window_hops", "i8"),  # hops in the window
        # activity
        ("phase", "i8"),  # SILENT, PLUCKED, SOUNDING
        ("note", "i8"),  # 1 once the pluck has proved to be a note
        ("pluck_tick", "i8"),
        ("past_touch_tick", "i8"),  # since when it is more than a touch
        ("proof", "i8"),  # UNPROVED, BELIEVED, DOUBTED
        ("proof_tick", "i8"),  # when it was last believed
        ("onset_tick", "i8"),
        ("release_tick", "i8"),  # where the string was let go: the onset of what proves to be a note
        ("attack_tick", "i8"),  # latest attack heard, the pluck or what came after the pick's noise
        ("end_tick", "i8"),  # where the last note's end is dated
        ("alike", "f8"),  # how alike the newest waves and those a period before are, 0 to 1
        ("evidence", "f8"),  # that the pluck is a note; at 1 it is
        ("knock", "i8"),  # 1 if most strings heard it at the same time
        ("late", "f8"),  # level (power) at which its pitch appeared, if far below its peak or after a knock; else 0
        ("jumps", "i8"),  # how often its pitch has turned out to be another one
        ("restart_tick", "i8"),  # the analysis knows nothing of what was before
        ("expected_level", "f8"),  # level the string should still have (power)
        ("peak", "f8"),  # greatest level since the pluck (power)
        ("previous_quick", "f8"),  # the same one hop ago
        ("recent_peak", "f8"),  # greatest quick level of about the last period
        ("tail", "f8"),  # what may still ring of the last note; a new pluck must rise above it (power)
        ("tail_span", "i8"),  # ticks
        # pitch
        ("period", "f8"),  # ticks; 0 while unknown
        ("clarity", "f8"),
        ("last_period", "f8"),  # about one period ago
        ("lock_tick", "i8"),  # when its pitch was last found
        ("anchor", "f8"),  # the period with which the pitch must agree
        ("candidate", "f8"),  # a new period under observation
        ("candidate_tick", "i8"),  # since when
        # first partial
        ("sharpness", "f8"),  # how sharp the period reads, in octaves; kept from note to note
        ("sharpness_looks", "f8"),  # how often it has been measured, counted as far as it matters
        ("aimed_period", "f8"),
        ("aimed_ticks", "i8"),
        ("aim_cos", "f8"),  # rotation a tick
        ("aim_sin", "f8"),
        ("turn_cos", "f8"),
        ("turn_sin", "f8"),
        ("partial_re", "f8", 4),
        ("partial_im", "f8", 4),
        ("partial_angle", "f8"),
        ("smooth_period", "f8", 4),  # binary logarithm
        # note
        ("octave_sum", "f8"),  # sum of the periods' binary logarithms,
        ("octave_count", "f8"),  # and their number
        ("report", "i8"),  # hops since the last pitch report
    ]
)

#: What is heard at once if it changes, so it never jumps.
SMOOTH = record_type(
    [
        ("bass_gain", "f8"),
        ("tone", "f8", 5),
        ("timbre", "f8", TIMBRE),
        ("pan", "f8", (MAX_STRINGS, 2)),
        ("ceiling", "f8"),
    ]
)

STATE = record_type(
    [
        ("frame", "i8"),  # frames seen
        ("tick", "i8"),  # ticks seen
        ("next_fault", "i8", MAX_STRINGS),  # frame from which a channel's fault is reported again
        # controls
        ("controls", CONTROLS),  # written by the host between calls
        ("heard", CONTROLS),  # as they were at the last call
        ("ratio", "f8"),  # in force
        ("now", SMOOTH),
        ("aim", SMOOTH),
        ("step", SMOOTH),  # change a frame
        ("ramp", "i8"),  # frames until the aim is reached
        # conditioning
        ("dc_in", "f8", LANES),
        ("dc_out", "f8", LANES),
        ("hum_re", "f8", HARMONICS),
        ("hum_im", "f8", HARMONICS),
        ("hum_a", "f8", (HARMONICS, LANES)),
        ("hum_b", "f8", (HARMONICS, LANES)),
        ("hum_error", "f8", LANES),
        ("hum_phase", "i8"),  # HUM_AWAITED, HUM_LEARNED_FAST, HUM_KNOWN
        ("hum_tick", "i8"),  # when the first sound came
        ("hum_left", "f8", LANES),  # the sound that is learned from: each string a little while ago
        ("hum_loudest", "f8", LANES),  # quick power just before plucks are looked for
        ("hum_doubted", "i8", LANES),  # 1: not learned by the start, or forgotten: only small steps now
        ("hum_unknown", "i8", LANES),  # hops that a string which sounded at the start must yet be silent and quiet
        ("hum_hops", "i8"),  # in the window so far
        ("hum_sum_a", "f8", (HARMONICS, LANES)),  # sums of the remainder times each reference
        ("hum_sum_b", "f8", (HARMONICS, LANES)),
        ("hum_power", "f8", LANES),  # sum of its squares
        ("hum_steady", "i8", LANES),  # windows in a row that have found the same hum:
        ("hum_found_a", "f8", (HARMONICS, LANES)),  # this
        ("hum_found_b", "f8", (HARMONICS, LANES)),
        ("hum_kept", "i8"),  # 1: the weights below were learned before a restart; their phase is still unknown
        ("hum_kept_a", "f8", (HARMONICS, LANES)),
        ("hum_kept_b", "f8", (HARMONICS, LANES)),
        ("clean", "f8", LANES),
        ("past", "f4", (HISTORY, LANES)),  # cleaned frames; row frame & past_mask
        ("fir_past", "f8", (TAPS, LANES)),
        ("low", "f8", LANES),  # low-passed sample at a tick
        ("hp1", "f8", LANES),  # high-pass state
        ("hp2", "f8", LANES),
        ("still_in", "f8", LANES),  # what a string's channel gave at the last tick,
        ("still_ticks", "i8", LANES),  # and for how many it has been exactly that
        ("squares", "i8", (SQUARES, LANES)),  # of the last analysis samples
        ("quick_sum", "i8", LANES),  # their sum over the quick window
        ("quick", "f8", LANES),  # power over the last millisecond
        ("level", "f8", LANES),  # power over the last period, 0 while silent
        # strings
        ("strings", STRING, MAX_STRINGS),
        ("nsdf", "f8", LAGS),  # scratch
        ("alike", "f8", LANES),  # scratch
        ("theirs", "f8", LANES),  # scratch
        # choice
        ("bass", "i8"),  # string index from 0; -1: none
        ("wanted", "i8"),
        ("wanted_tick", "i8"),  # since when
        ("handover_tick", "i8"),
        ("delayed", "i8"),  # 1 while the hold keeps the bass from passing on
        # bass voice
        ("heads", HEAD, HEADS),
        ("lead", "i8"),  # index of the leading head; -1: none
        ("lingering", "i8"),  # index of the head of a string that lost the bass to a pluck; -1: none
        ("attack_seen", "i8"),  # tick up to which the voice has answered attacks
        ("tail", TAIL),
        ("synth_phase", "f8"),
        ("synth_increment", "f8"),
        ("synth_known", "i8"),  # 1 while the bass string's pitch is known
        ("synth_mix", "f8"),
        ("synth_level", "f8"),
        ("synth_amplitude", "f8"),
        ("dynamics_target", "f8"),
        ("dynamics_gain", "f8"),
        ("tone1", "f8"),
        ("tone2", "f8"),
        ("stage", TONE_STAGE),
        # remainder and outputs
        ("rest_gain", "f8", MAX_STRINGS),
        ("limiter_gain", "f8", 2),
        # events
        ("events", EVENT, EVENTS),
        ("events_written", "i8"),
    ]
)


def initial_state(params: np.ndarray) -> np.ndarray:
    """Return an array of one ``STATE`` record at rest, for the setting in ``params`` (dtype ``PARAMS``, shape (1,))."""
    state = np.zeros(1, STATE)
    st = state[0]
    st["hum_re"] = 1.0
    st["hum_phase"] = HUM_AWAITED if params[0]["hum_harmonics"] else HUM_KNOWN
    st["bass"] = st["wanted"] = st["lead"] = st["lingering"] = -1
    st["heads"]["string"] = -1
    st["dynamics_gain"] = st["dynamics_target"] = 1.0
    st["limiter_gain"] = 1.0
    st["rest_gain"][: params[0]["strings"]] = 1.0
    for controls in (st["controls"], st["heard"]):
        controls["split"] = 1
        controls["level"] = 1.0
    st["ratio"] = params[0]["ratio"]
    st["stage"]["gain"], st["stage"]["bass"] = 1.0, -1
    for name in SMOOTH.names or ():
        st["now"][name] = params[0][name]
    return state


def keep_hum(before: Record, after: Record) -> None:
    """Hand what a state has learned of the hum to the one that takes its place, which is at rest.

    The hum goes on meanwhile, for a time that nobody knows, so its phase is looked for once there is sound.
    """
    # A state that ended before it had found the phase has not used what it was handed.
    names = ("hum_kept_a", "hum_kept_b") if before["hum_kept"] else ("hum_a", "hum_b")
    a, b = (np.array(before[name]) for name in names)
    if np.isfinite(a).all() and np.isfinite(b).all() and (a.any() or b.any()):
        after["hum_kept"], after["hum_kept_a"], after["hum_kept_b"] = 1, a, b
