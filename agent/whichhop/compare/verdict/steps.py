"""Cuts an episode where its delay steps up or down for good, or all is lost: two causes of one group.

Where nobody counts the home's own traffic, a fault of the line and an upload that begins during it meet the
same packets, and are one episode to the filter. Told as one, neither has its own figures.
"""

from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from whichhop.compare.windows.around import runs_of
from whichhop.model.finding import WHOLE_OUTAGE

LEAST_TICKS, LEAST_LATER = 2, 3
"""The first piece is what opens an episode; of a later one a window at each edge may belong to another."""
LEAST_RATIO = 2.0
LEAST_STEP_S = 0.030
"""A level twice another and 30 ms from it is another cause: a queue shallower than that is felt by nobody,
and a fault's own level wanders by less than twice."""
LEAST_LEVEL_S = 0.005
"""At or below the least delay of a wired fault there is a lull, and no level."""
MOST_LULLS = 0.2
"""With more lulls than one tick in five a fault comes and goes, and is one."""
OUTAGE_TICKS = 3
"""Where half a minute of packets is lost there is an outage; as long must show what else goes on."""
LEAST_LOST = 0.03
"""It follows from the least loss of a fault of any element, see `priors.Prior`."""
MOST_STEPS = 3
"""A fault, another on top of it, and its end; more steps to and fro between two levels are one fault."""

Levels = NDArray[np.float64]


def cuts(excess_s: Levels) -> list[int]:
    """The ticks, rising, at which a new piece begins; none where the episode is one.

    excess_s: (ticks,) the group's delay above its quiet baseline, NaN where nothing was answered.
    """
    known = np.flatnonzero(np.nan_to_num(excess_s) > LEAST_LEVEL_S)
    if not known.size or known.size < (1.0 - MOST_LULLS) * len(excess_s):
        return []
    # A lull takes the level of the tick before it, one at the begin that of the first after it.
    place = np.maximum(np.searchsorted(known, np.arange(len(excess_s)), side="right") - 1, 0)
    return _cuts(np.log(excess_s[known[place]]), 0)


def alike(before_s: Levels, after_s: Levels) -> bool:
    """Whether two pieces of one group with a lull between them may be one cause that comes and goes.

    Each (ticks,) as `cuts` has them. A piece without a level, such as an outage, is like any other.
    """
    levels = [np.sort(part[np.nan_to_num(part) > LEAST_LEVEL_S]) for part in (before_s, after_s)]
    if not all(len(level) for level in levels):
        return True
    low, high = sorted(float(level[len(level) // 2]) for level in levels)
    return high < LEAST_RATIO * low or high - low < LEAST_STEP_S


def outages(lost: Levels, excess_s: Levels) -> list[int]:
    """The ticks, rising, at which an outage inside an episode begins or ends; none where the episode is one.

    lost: (ticks,) the share of the group's packets that was lost, NaN where too few were sent; excess_s as in
    `cuts`. What loses nearly all at times and nothing between comes and goes, and is one fault.
    """
    with np.errstate(invalid="ignore"):
        gone = lost >= WHOLE_OUTAGE
        ill = ~gone & ((np.nan_to_num(excess_s) > LEAST_LEVEL_S) | (lost >= LEAST_LOST))
    runs = [(a, b) for a, b in runs_of(gone) if b - a >= OUTAGE_TICKS]
    if not runs or len(runs) > MOST_STEPS:
        return []
    # What is quiet at the ends is no longer the fault, or not yet.
    shown = np.flatnonzero(gone | ill)
    bounds = [int(shown[0]), *(at for run in runs for at in run), int(shown[-1]) + 1]
    between = [ill[a:b] for a, b in zip(bounds[::2], bounds[1::2], strict=True)]
    apart = [
        len(part) >= OUTAGE_TICKS and np.count_nonzero(part) >= (1.0 - MOST_LULLS) * len(part)
        for part in between
    ]
    return [
        at
        for run, sides in zip(runs, pairwise(apart), strict=True)
        for at, cut in zip(run, sides, strict=True)
        if cut
    ]


def without_lull(excess_s: Levels, begin: int, stop: int) -> int:
    """Where a piece begin..stop-1 of an episode that was cut ends: before the lull that parts it from the
    next."""
    while stop < len(excess_s) and stop > begin + 1 and excess_s[stop - 1] <= LEAST_LEVEL_S:
        stop -= 1
    return stop


def _cuts(level: Levels, first: int) -> list[int]:
    high = _upper(level)
    if high is None:
        return []
    edges = (np.flatnonzero(np.diff(high.astype(np.int8))) + 1).tolist()
    bounds = [0, *edges, len(level)]
    if edges and bounds[-1] - bounds[-2] < LEAST_LATER:
        # Too young to be a piece, and no reason to forget the steps before it.
        del edges[-1], bounds[-2]
    if not edges or len(edges) > MOST_STEPS:
        return []
    lengths = np.diff(bounds).tolist()
    if lengths[0] < (LEAST_LATER if first else LEAST_TICKS) or min(lengths[1:]) < LEAST_LATER:
        return []
    out = [first + at for at in edges]
    for begin, end in pairwise(bounds):
        out += _cuts(level[begin:end], first + begin)
    return sorted(out)


def _upper(level: Levels) -> NDArray[np.bool_] | None:
    """Which ticks are at the upper of two levels, single odd ones put right; None where there is but one.

    The two are those with the most variance between them (Otsu 1979).
    """
    ordered = np.sort(level)
    count = len(ordered)
    if count < 2 * LEAST_TICKS:
        return None
    below = np.arange(LEAST_TICKS, count - LEAST_TICKS + 1)
    total = np.cumsum(ordered)
    gap = (total[-1] - total[below - 1]) / (count - below) - total[below - 1] / below
    at = int(below[int(np.argmax(below * (count - below) * gap**2))])
    # Upper medians: a window at an edge holds less of its cause, never more.
    low, top = (float(np.exp(part[len(part) // 2])) for part in (ordered[:at], ordered[at:]))
    if top < LEAST_RATIO * low or top - low < LEAST_STEP_S:
        return None
    high = level > 0.5 * (ordered[at - 1] + ordered[at])
    around = np.pad(high.astype(np.int8), 1, mode="reflect")
    return np.asarray(around[:-2] + around[1:-1] + around[2:] >= 2)
