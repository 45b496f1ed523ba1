"""The pitch of one string: a normalised difference whose window restarts at each pluck and grows.

With x the analysis signal and the sums over the window, for every lag::

    r = sum x[t] x[t - lag]
    m = sum x[t]^2 + x[t - lag]^2
    n = 2 r / m                          = 1 - (squared difference) / m

(McLeod and Wyvill, "A smarter way to find pitch", ICMC 2005; the difference itself: de Cheveigné and Kawahara, "YIN, a
fundamental frequency estimator for speech and music", JASA 111, 2002.) ``n`` is 1 where the signal repeats itself. A
lag needs half a period of overlap, to within a tick, so a pitch can be known one and a half periods after the pluck,
and not before.

The products are added up hop by hop, and those that leave the window are subtracted again; the squares are whole
numbers, so their running sum is exact. The products of one hop are rounded to 32 bits and added in 64, so a hop is
subtracted as it was added, to within 1e-16 of the loudest sound since the last pluck, where the sums restart from 0.
"""

import math

import numpy as np

from thumbline.dsp.compilation import kernel
from thumbline.dsp.kernel.interpolation import REACH, parabola_vertex, refine_peak
from thumbline.dsp.memory.record_type import Record
from thumbline.dsp.memory.records import HOP, TICKS
from thumbline.dsp.memory.tick_ring import place_of, span_energy

#: A peak this close to the best one is preferred if its lag is shorter: the period, not a multiple of it.
SHORTER_LAG_SHARE = 0.9
#: Lags that are looked at beyond the longest period, so that its peak is known on both sides.
BEYOND = REACH + 1
#: Of a peak between two lags, each of them has this share at least.
NARROWEST = 0.6
#: Where the difference first falls below this share of the best peak, the peak around lag 0 is over.
VALLEY_SHARE = 0.5
#: A number of periods is so close to a whole number of ticks, in ticks, that no other need be compared.
NEARLY_WHOLE = 0.35
#: From one period to the next a bend changes it by this ratio at most.
MOST_BENT = 1.05
#: What comes before the first millisecond that is within this of the loudest one is the pick, not the string (power).
RELEASE = 10.0 ** (-12 / 10)


@kernel
def _hop_products(string: Record, hop: int, hop_mask: int, lags: int) -> None:
    """Add the products of one complete hop to the correlation."""
    products = string.products[hop & hop_mask]
    # A hop never straddles the end of the ring, so its ticks lie side by side, newest first.
    x = string.ticks[place_of(hop * HOP + HOP - 1) :]
    a, b, c, d, e, f, g, h = x[0], x[1], x[2], x[3], x[4], x[5], x[6], x[7]
    for lag in range(lags):
        products[lag] = (
            (a * x[lag] + b * x[lag + 1])
            + (c * x[lag + 2] + d * x[lag + 3])
            + (e * x[lag + 4] + f * x[lag + 5])
            + (g * x[lag + 6] + h * x[lag + 7])
        )
    for lag in range(lags):  # by itself: sums of 64 bits fill half as many lanes
        string.correlation[lag] += products[lag]
    string.window_hops += 1


@kernel
def restart(string: Record, tick: int, first: int, hop_mask: int, lags: int) -> None:
    """Forget everything before tick ``first``; ``tick`` is the newest, whose hop is still to be taken in."""
    string.restart_tick = first
    newest = place_of(tick)
    for age in range(tick - first + 1, TICKS):
        place = (newest + age) & (TICKS - 1)
        string.ticks[place] = 0.0
        string.ticks[place + TICKS] = 0.0
    for lag in range(lags):
        string.correlation[lag] = 0.0
    string.window_hops = 0
    for hop in range(max(first // HOP, tick // HOP - hop_mask), tick // HOP):
        _hop_products(string, hop, hop_mask, lags)


@kernel
def forget_pick_noise(string: Record, tick: int, span: int, hop_mask: int, lags: int) -> None:
    """Restart a young string's analysis where it was let go: what the pick does before may last 20 ms, unpitched.

    ``span`` is about a millisecond, in ticks; ``tick`` is the newest, whose hop is still to be taken in.
    """
    begin = string.restart_tick + span - 1
    loudest = 0.0
    for at in range(begin, tick + 1):
        loudest = max(loudest, span_energy(string, at + 1 - span, at + 1))
    at = begin
    while at < tick and span_energy(string, at + 1 - span, at + 1) <= RELEASE * loudest:
        at += 1
    if at - begin > HOP:
        restart(string, tick, at + 1 - span, hop_mask, lags)


@kernel
def follow(string: Record, tick: int, hop_mask: int, lags: int, window: int) -> None:
    """Take in the hop that ``tick`` completes and keep the window to about ``window`` ticks."""
    hop = tick // HOP
    _hop_products(string, hop, hop_mask, lags)
    while string.window_hops > min(window // HOP + 1, hop_mask):
        old = string.products[(hop - string.window_hops + 1) & hop_mask]
        for lag in range(lags):
            string.correlation[lag] -= old[lag]
        string.window_hops -= 1


@kernel
def normalised_difference(string: Record, tick: int, lag_max: int, nsdf: np.ndarray) -> int:
    """Fill ``nsdf[: lag_max + BEYOND + 1]`` and return the last lag with enough overlap; those beyond it get 0."""
    end = (tick + 1) // HOP * HOP
    restarted = string.restart_tick
    first = max(end - string.window_hops * HOP, restarted)
    elapsed = end - restarted
    now = place_of(end - 1)
    start = place_of(first - 1)
    restart_at = place_of(restarted - 1)
    total = string.energy[now]
    known = min(lag_max + BEYOND, (2 * elapsed + 2) // 3)
    # Up to this lag the window's start bounds the overlap, beyond it the restart.
    bounded = min(known, first - restarted)
    newer = total - string.energy[start]
    from_now, from_start = string.energy[now:], string.energy[start:]
    for lag in range(1, bounded + 1):
        m = float(newer + from_now[lag] - from_start[lag])
        nsdf[lag] = 2.0 * string.correlation[lag] / max(m, 1.0)
    older = total - string.energy[restart_at]
    for lag in range(max(1, bounded + 1), known + 1):
        m = float(older - string.energy[restart_at + TICKS - lag] + from_now[lag])
        nsdf[lag] = 2.0 * string.correlation[lag] / max(m, 1.0)
    nsdf[0] = 1.0
    for lag in range(max(1, known + 1), lag_max + BEYOND + 1):
        nsdf[lag] = 0.0
    return known


@kernel
def pick_period(nsdf: np.ndarray, lag_min: int, lag_max: int, known: int) -> tuple[float, float]:
    """Find the period between ``lag_min`` and ``lag_max`` in an ``nsdf`` that is filled up to lag ``known``.

    Returns the lag in ticks, between samples, and the peak's height (clarity); ``(0, 0)`` where there is no peak.
    """
    lag_max = min(lag_max, known - 1)  # both sides of a peak must be known
    best = 0.0
    best_at = 0
    for lag in range(lag_min, lag_max + 1):
        if nsdf[lag] > best and nsdf[lag] >= nsdf[lag - 1] and nsdf[lag] > nsdf[lag + 1]:
            best = nsdf[lag]
            best_at = lag
    if best <= 0.0:
        return 0.0, 0.0
    _, best = peak(nsdf, best_at, known)
    # Near lag 0 everything resembles itself: a period comes after the first valley.
    lag = 1
    while lag < lag_max and nsdf[lag] > VALLEY_SHARE * best:
        lag += 1
    for at in range(max(lag, lag_min), lag_max + 1):
        y = nsdf[at]
        if y >= NARROWEST * best and y >= nsdf[at - 1] and y > nsdf[at + 1]:
            period, height = peak(nsdf, at, known)
            if height >= SHORTER_LAG_SHARE * best:
                return period, min(1.0, height)
    return 0.0, 0.0


@kernel
def peak(nsdf: np.ndarray, at: int, known: int) -> tuple[float, float]:
    """Place and height of the peak about lag ``at``; where too little is known beyond it, by a parabola."""
    if at + 1 + REACH <= known:
        return refine_peak(nsdf, at)
    below, above = nsdf[at - 1], nsdf[at + 1]
    shift = parabola_vertex(below, nsdf[at], above)
    return at + shift, nsdf[at] - 0.25 * (below - above) * shift


@kernel
def period_change(string: Record, tick: int, span: int, enough: float, level: float) -> float:
    """Return how much the last ``span`` ticks differ from those one period before: 0 the same, 1 unrelated, 2 opposed.

    It is their squared difference over both spans' energies and twice that of ``level``, the power over the last
    period, so that a quiet stretch of a pulse-like wave does not look like a change. While a string is bent its next
    period is searched where the bend leads, until the difference is ``enough`` or less.
    """
    newest = place_of(tick)
    own = span_energy(string, tick + 1 - span, tick + 1)
    bent = bent_period(string)
    step = 1.0 if bent > string.period else -1.0
    lag = string.period
    least = 2.0
    while least > enough and (bent - lag) * step >= 0.0:
        whole = int(lag)
        share = lag - whole
        difference = 0.0
        for age in range(span):
            before = (1.0 - share) * string.ticks[newest + age + whole] + share * string.ticks[newest + age + whole + 1]
            d = string.ticks[newest + age] - before
            difference += d * d
        energy = own + span_energy(string, tick + 1 - span - whole, tick + 1 - whole)
        least = min(least, difference / (energy + 2.0 * span * level + 1.0))
        lag += step
    return least


@kernel
def bent_period(string: Record) -> float:
    """Return the period that a bend may have led to since it was measured, at most: twice as far as of late."""
    return string.period * min(max(string.period / string.last_period, 1.0 / MOST_BENT), MOST_BENT) ** 2


@kernel
def shape_change(string: Record, tick: int, span: int, reach: int, drift: int, enough: float, level: float) -> float:
    """Return how much the last ``span`` ticks differ in shape from those some periods before, however loud either is.

    0 is the same, 1 unrelated, 2 opposed. They are compared with those ``reach`` ticks before or more, up to twice that
    if a period is no longer; the wave may have drifted by up to ``drift`` ticks meanwhile, or as far as a bend leads.
    The search ends at ``enough`` or less. ``level`` is the power over the last period, as above.
    """
    newest = place_of(tick)
    own = span_energy(string, tick + 1 - span, tick + 1)
    bend = bent_period(string) / string.period
    least = 2.0
    ago = string.period * max(1.0, math.ceil(reach / string.period))
    while least > enough:
        # Half a tick is much of the shortest waves: of several periods one comes close to a whole number of ticks.
        lag = int(ago + 0.5)
        first, last = min(lag, int(bend * ago)) - drift, max(lag, int(bend * ago)) + drift
        for i in range(2 * max(lag - first, last - lag) + 1):
            back = lag + ((i + 1) // 2 if i % 2 == 1 else -(i // 2))  # 0, 1, -1, 2, -2 ...
            if not first <= back <= last:
                continue
            before = span_energy(string, tick + 1 - span - back, tick + 1 - back)
            product = 0.0
            for age in range(span):
                product += string.ticks[newest + age] * string.ticks[newest + age + back]
            change = 2.0 * (math.sqrt(own * before) - product) / (own + before + 2.0 * span * level + 1.0)
            least = min(least, change)
            if least <= enough:
                break
        if abs(ago - lag) < NEARLY_WHOLE or ago + string.period > 2 * reach:
            break
        ago += string.period
    return least
