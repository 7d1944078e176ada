"""What the access line can carry one way, as far as byte counters show it; the plan is a belief, no fact."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Slow = NDArray[np.bool_]

SHARES = np.array([0.25, 0.3, 0.35, 0.42, 0.5, 0.6, 0.7, 0.85, 0.95, 1.05])
"""What a line may carry, as shares of the plan in the home file."""
BELIEF = np.array([0.3 / 7] * 7 + [0.1, 0.35, 0.25])
"""How likely each is before anything was seen: seven lines in ten carry about their plan, the others anything
down to a quarter, mostly since the file names another plan (common practice). It matters for the first minute
at most: then a line that was filled has shown its ceiling."""
NEAR = 0.06
"""Rates this near the top are the same ceiling: counters read by programs are late by some tenths of a second
in ten, and frames' headers vary."""
CEILING_TICKS = 6
"""A minute at the top in all before it is held to be a ceiling: short peaks have none."""
HIGH, IDLE = 0.6, 0.5
CEILING_SHARE = 0.5
"""Half of the ticks above HIGH of the top must lie at it: what a ceiling cuts off piles up there. Under IDLE
of it the line is not full."""
LEAST_CEILING = 0.2
"""Under this share of the plan a ceiling is some server's or some device's, and not the line's."""
LEAST_RATE_BPS = 500_000.0
"""No line that is sold carries less one way (the slowest DSL profiles); a murmur of the home is under it."""
SLOW_S = 0.005
"""A line that is full delays: the same least delay as a fault of the line has."""
SLOW_SHARE, IDLE_SHARE = 0.5, 0.25
"""Most ticks at a ceiling are slow and most of those far below it are not; a stream that somebody else's
server paces lies at one rate as well, and delays nothing."""
SURE = 0.95
"""How sure a ceiling makes of the capacity: another bottleneck may be met again and again as well."""
DOUBTFUL = 0.8
"""A ceiling under this share of the plan is told: a line that carries less than four fifths of what the file
says is another plan, or something that a provider should hear of."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Capacity:
    """What one way of the line may carry: bits a second and how likely each is; the weights sum to 1.

    ceiling_bps: the rate that was met again and again and never passed; None while there is none.
    """

    rates_bps: Floats
    weights: Floats
    ceiling_bps: float | None

    @property
    def likely_bps(self) -> float:
        """What it carries as far as is known: its ceiling, else what the plan says or more was seen."""
        return self.ceiling_bps or float(self.rates_bps[-1])

    @property
    def low_bps(self) -> float:
        """What it carries at the least, but for one chance in twenty."""
        order = np.argsort(self.rates_bps)
        reached = np.cumsum(self.weights[order])
        return float(self.rates_bps[order][int(np.searchsorted(reached, 0.05))])


def capacity_of(rates_bps: Floats, plan_bps: int | None, slow: Slow | None = None) -> Capacity | None:
    """What counted rates, one a tick with NaN where not known, tell of the line; None where nothing does.

    slow: the ticks in which what crosses the line was late. Without them there is no ceiling, and without a
    plan only a ceiling tells.
    """
    known = np.isfinite(rates_bps)
    top = _top(rates_bps[known])
    ceiling = None if slow is None else _ceiling(rates_bps[known], slow[known], top, plan_bps)
    if plan_bps is None:
        if ceiling is None:
            return None
        return Capacity(rates_bps=np.array([ceiling]), weights=np.ones(1), ceiling_bps=ceiling)
    rates = np.append(SHARES * plan_bps, ceiling or max(top, float(plan_bps)))
    # It carries at least what it carried; where that is more than any belief, it is what is known.
    weights = np.append(np.where(SHARES * plan_bps >= top, BELIEF, 0.0), 1e-9)
    weights /= weights.sum()
    if ceiling is not None:
        weights *= 1.0 - SURE
        weights[-1] += SURE
    return Capacity(rates_bps=rates, weights=weights, ceiling_bps=ceiling)


def _top(known: Floats) -> float:
    """The highest rate that was seen in two ticks: one alone may be a reading that came late."""
    return float(np.partition(known, -2)[-2]) if known.size >= 2 else 0.0


def _ceiling(known: Floats, slow: Slow, top: float, plan_bps: int | None) -> float | None:
    if top < LEAST_RATE_BPS or (plan_bps is not None and top < LEAST_CEILING * plan_bps):
        return None
    at_top, high, idle = known >= (1.0 - NEAR) * top, known >= HIGH * top, known < IDLE * top
    many = np.count_nonzero(at_top) >= max(CEILING_TICKS, CEILING_SHARE * np.count_nonzero(high))
    full = np.count_nonzero(slow & at_top) >= SLOW_SHARE * np.count_nonzero(at_top)
    fast = np.count_nonzero(slow & idle) <= IDLE_SHARE * np.count_nonzero(idle) and idle.any()
    return top if many and full and fast else None


def doubt_words(way: str, capacity: Capacity | None, plan_bps: int | None) -> str:
    """That the plan in the home file and the line do not agree; empty when they may."""
    if capacity is None or plan_bps is None or capacity.ceiling_bps is None:
        return ""
    if capacity.ceiling_bps >= DOUBTFUL * plan_bps:
        return ""
    return (
        f"check the plan in the home file: it says {plan_bps / 1e6:.3g} Mbit/s {way}, "
        f"the line was filled again and again at {capacity.ceiling_bps / 1e6:.3g} Mbit/s"
    )
