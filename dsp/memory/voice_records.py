"""Parts of the kernel's record that belong to the bass voice and to what the player changes while it sounds."""

from thumbline.dsp.memory.record_type import record_type

#: Reading heads of the bass voice that may sound at once: one leads, the others fade out.
HEADS = 6
#: Characters of the bass, as rigs have them; the first is the voice without the tone stage.
CHARACTERS = ("raw", "round", "fingered", "picked")

# A timbre is how the tone stage is set, an array of these, so that a ramp may pass from any one to any other.
#: 1 if the bass passes through the tone stage, 0 if not.
MIX = 0
#: How far the curve is driven, times full bend.
DRIVE = 1
#: How far the curve lies off its middle: even partials.
BIAS = 2
#: Level of the partials that the curve makes.
AMOUNT = 3
#: First of b0 b1 b2 a1 a2 of the high shelf.
SHELF = 4
#: The same of the low-pass.
ROLL_OFF = 9
TIMBRE = 14

HEAD = record_type(
    [
        ("string", "i8"),  # index from 0; -1: not in use
        ("lag", "f8"),  # frames behind the newest
        ("rate", "f8"),  # frames read per frame
        ("gain", "f8"),
        ("step", "f8"),  # change of gain per frame
        ("level", "f8"),  # less than 1 while it lingers,
        ("ebb", "f8"),  # and what it loses of that per frame
    ]
)

#: The last note of the bass, which may ring on in a rest.
TAIL = record_type(
    [
        ("string", "i8"),  # whose note it is, as an index,
        ("pluck_tick", "i8"),  # and which
        ("power", "f8"),  # what is left of it (analysis steps)
        ("target", "f8"),  # amplitude of the tone that fills the gap,
        ("amplitude", "f8"),  # and as it is heard
        ("phase", "f8"),
        ("increment", "f8"),
    ]
)

#: What the player asks for while sound passes; what differs from the setting is reached by a ramp.
CONTROLS = record_type(
    [
        ("split", "i8"),  # 0: no string is the bass
        ("hold", "i8"),  # 1: the string that is the bass stays the bass
        ("level", "f8"),  # factor on the setting's bass level
        ("tone_hz", "f8"),  # low-pass of the bass; 0: the setting's
        ("ratio", "f8"),  # of the bass' frequency to the string's; 0: the setting's
        ("character", "i8"),  # 1 and more: that of the parameters' characters; 0: the setting's
    ]
)

#: What the tone stage remembers.
TONE_STAGE = record_type(
    [
        ("total", "f8"),  # of the voice since the last tick,
        ("even_total", "f8"),  # and of the voice by its gain
        ("gain", "f8"),
        ("gain_step", "f8"),  # per frame
        ("power", "f8"),  # mean square of the voice, which rises and falls slowly
        ("low1", "f8"),  # the low partials, after one low-pass and after two
        ("low2", "f8"),
        ("amplitude", "f8"),  # their level (amplitude)
        ("high1", "f8"),  # states of two high-passes
        ("high2", "f8"),
        ("held", "f8"),  # new partials until the next tick
        ("bass", "i8"),  # string index at the last tick; -1: none
        ("noise", "f8"),  # level of the noise of a string that was let go
        ("seed", "i8"),
        ("shelf1", "f8"),  # filter states
        ("shelf2", "f8"),
        ("roll1", "f8"),
        ("roll2", "f8"),
    ]
)
