"""Two clocks' disagreement seen in one-way delays: slow skew under a lower hull, and sudden steps."""

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from whichhop.stats.quantile import Floats


class Skew(Struct, frozen=True, kw_only=True):
    """A straight line under the delays: how fast the far clock gains on the near one.

    rate: ns gained a ns, so 1e-6 is one part per million. base_ns: the line's value at `at_ns`.
    """

    rate: float
    base_ns: float
    at_ns: float

    def under(self, sent_ns: Floats) -> Floats:
        """The line at some times, ns."""
        return self.base_ns + self.rate * (sent_ns - self.at_ns)


def lower_hull(x: Floats, y: Floats) -> list[int]:
    """Indexes of the lower convex hull of points with strictly rising x (Andrew 1979); 0 to 2 points: all."""
    hull: list[int] = []
    for i in range(len(x)):
        while len(hull) > 1:
            a, b = hull[-2], hull[-1]
            if (x[b] - x[a]) * (y[i] - y[a]) > (y[b] - y[a]) * (x[i] - x[a]):
                break
            hull.pop()
        hull.append(i)
    return hull


def fit_skew(sent_ns: Floats, one_way_ns: Floats) -> Skew | None:
    """The line under all delays and nearest to them: the hull's edge at the mean time (Moon et al. 1999).

    sent_ns: strictly rising; one_way_ns: same length, infinite where lost, clock offset included. Queueing
    only adds delay, so the fastest packets show the clock. None when under two packets arrived: one tells
    no slope.
    Steps must be cut out first (`find_steps`), for a line cannot follow them.
    """
    there = np.isfinite(one_way_ns)
    if np.count_nonzero(there) < 2:
        return None
    x, y = sent_ns[there] - sent_ns[there][0], one_way_ns[there]
    hull = lower_hull(x, y)
    # Least summed distance of all lines under the points: the edge whose span holds the points' mean x.
    right = int(np.clip(np.searchsorted(x[hull], x.mean()), 1, len(hull) - 1))
    a, b = hull[right - 1], hull[right]
    rate = float((y[b] - y[a]) / (x[b] - x[a]))
    return Skew(rate=rate, base_ns=float(y[a]), at_ns=float(sent_ns[there][a]))


class ClockStep(Struct, frozen=True, kw_only=True):
    """One clock jumped against the other before packet `index`; positive when the far one gained."""

    index: int
    jump_ns: float


def find_steps(
    out_ns: Floats,
    back_ns: Floats,
    *,
    sent_ns: Floats | None = None,
    least_ns: float = 2_000_000.0,
    window: int = 16,
) -> list[ClockStep]:
    """Where a clock stepped: half of (out - back) jumps while their sum, the round trip, stays.

    out_ns, back_ns: per packet in order sent, infinite where lost, clock offset included. sent_ns: when; if
    given, the usual drift is taken out first, which over a pause would look like a step. A queue or a new
    route in one direction moves the round trip twice as far as that half, a clock not at all: a jump counts
    when it is at least `least_ns` and the round trip moved by less than half of it, by medians of `window`
    answered packets on each side, and when the two sides lie apart but for one packet each: on a path whose
    queues wander by tens of ms, medians alone jump by some ms now and then, while 16 packets part from 16 by
    chance once in a million times. Fewer than two windows of answers, so also empty, all-lost and
    single-sample input, show no step.
    """
    there = np.flatnonzero(np.isfinite(out_ns) & np.isfinite(back_ns))
    if len(there) < 2 * window:
        return []
    offset = (out_ns[there] - back_ns[there]) / 2
    round_trip = out_ns[there] + back_ns[there]
    if sent_ns is not None:
        # The median of slopes over a window's length: a step spoils only those that cross it.
        at_ns = sent_ns[there]
        slopes = (offset[window:] - offset[:-window]) / (at_ns[window:] - at_ns[:-window])
        offset = offset - np.median(slopes) * (at_ns - at_ns[0])
    jump, moved = _jumps(offset, window), _jumps(round_trip, window)
    stepped = (np.abs(jump) >= least_ns) & (np.abs(moved) < np.abs(jump) / 2) & _apart(offset, window)
    steps: list[ClockStep] = []
    at = 0
    while at < len(jump):
        if not stepped[at]:
            at += 1
            continue
        # The medians cross over several places; the sharpest change between two neighbours is the edge.
        end = min(at + 2 * window, len(jump))
        places = np.arange(at, end)[stepped[at:end]]
        best = int(places[np.argmax(np.abs(offset[places + window] - offset[places + window - 1]))])
        steps.append(ClockStep(index=int(there[best + window]), jump_ns=float(jump[best])))
        at = max(end, best + window)
    return steps


def _jumps(values: Floats, window: int) -> Floats:
    """Median of the `window` values from each place on, less that of the `window` before it."""
    medians = np.median(np.lib.stride_tricks.sliding_window_view(values, window), axis=1)
    return np.asarray(medians[window:] - medians[:-window], dtype=np.float64)


def _apart(values: Floats, window: int) -> NDArray[np.bool_]:
    """Where the `window` values from a place on lie above, or below, those before it, save one of each."""
    ordered = np.sort(np.lib.stride_tricks.sliding_window_view(values, window), axis=1)
    low, high = ordered[:, 1], ordered[:, -2]
    return np.asarray((low[window:] > high[:-window]) | (high[window:] < low[:-window]), dtype=np.bool_)
