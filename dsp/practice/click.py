"""The click: a short knock on each beat, another one on the first beat of a bar, and the count-in before the music."""

from collections.abc import Iterable
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from thumbline.dsp.beats.tempo import Beats
from thumbline.dsp.decibels import amplitude_of

#: Pitch of the first beat of a bar, and of the others, in Hz; they stand out from a guitar (an estimate).
ACCENT_HZ, BEAT_HZ = 1760.0, 1174.7
#: Time in which a knock falls to a third, and after which it is cut, at -104 dB, in s.
DECAY_S, KNOCK_S = 0.010, 0.120
#: Silence before the first knock of a count-in, s: players swallow the first moment of a file.
BREATH_S = 0.1


class Knock(NamedTuple):
    """One beat of the click."""

    frame: int  #: the frame in the file at which it begins
    accent: bool


def count_in(beats: Beats, bars: int) -> list[tuple[float, bool]]:
    """Times of the count-in before bar 1, at the pace of its first beat, and whether each is a first beat."""
    count = bars * beats.beats_per_bar
    pace = beats.first_beat_length_s
    return [(beats.first_bar_s - (count - i) * pace, i % beats.beats_per_bar == 0) for i in range(count)]


def click_times(beats: Beats, seconds: float, bars: int, throughout: bool) -> list[tuple[float, bool]]:
    """Take time of every knock, rising: the count-in of ``bars`` bars, and every beat if it goes on throughout."""
    times = count_in(beats, bars)
    if throughout:
        rows = zip(beats.times_s[beats.downbeat :].tolist(), range(len(beats.times_s)), strict=False)
        times += [(time_s, i % beats.beats_per_bar == 0) for time_s, i in rows if time_s <= seconds]
    return times


def lead_frames(first_s: float, factor: float, rate: int) -> int:
    """How many frames a file must begin before take time 0 for a knock at take time ``first_s`` to be heard."""
    return max(0, round((BREATH_S - first_s * factor) * rate))


def knocks(times: Iterable[tuple[float, bool]], factor: float, lead: int, rate: int) -> list[Knock]:
    """Place knocks in a file that is ``factor`` times as long as the take and begins ``lead`` frames earlier."""
    placed = (Knock(round(time_s * factor * rate) + lead, accent) for time_s, accent in times)
    return [knock for knock in placed if knock.frame >= 0]


def knock_sound(accent: bool, rate: int, accent_db: float) -> NDArray[np.float32]:
    """One knock, (frames,), from its very first frame; other beats are ``accent_db`` below the peak of 1."""
    hz = ACCENT_HZ if accent else BEAT_HZ
    time_s = np.arange(1, round(KNOCK_S * rate) + 1) / rate
    tone = np.sin(2 * np.pi * hz * time_s) + 0.5 * np.sin(2 * np.pi * 2.76 * hz * time_s)
    sound = tone * np.exp(-time_s / DECAY_S)
    sound /= np.max(np.abs(sound))
    return (sound if accent else amplitude_of(-accent_db) * sound).astype(np.float32)


def render_click(placed: Iterable[Knock], frames: int, rate: int, accent_db: float) -> NDArray[np.float32]:
    """The click as a sound of ``frames`` frames, peak 1."""
    out = np.zeros(frames, np.float32)
    sounds = {accent: knock_sound(accent, rate, accent_db) for accent in (False, True)}
    for knock in placed:
        part = sounds[knock.accent][: max(frames - knock.frame, 0)]
        out[knock.frame : knock.frame + len(part)] += part
    return out
