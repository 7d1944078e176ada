"""Shares of packets that come in bursts: one by days, the difference of two, the difference of two such.

Pure; intervals bear rare losses.
"""

import math
from collections.abc import Sequence

import numpy as np
from msgspec import Struct

from whichhop.stats.log_beta import log_beta
from whichhop.stats.proportion import Interval, wilson
from whichhop.stats.quantile import Floats

SHARES = (np.arange(400) + 0.5) / 400
"""Fine enough that an interval's end is off by 0.1 %, far under what any count of tests can tell."""
ALIKE = np.array([0.0, 0.1, 0.3, 0.6, 0.85, 0.95, 0.985, 0.997])
"""How much tests of one day resemble each other (the intraclass correlation): from each for itself to days
that are good or bad as a whole, denser there, since days of which few tests are known may well be; all
equally likely before any data. Chosen so that 95 % intervals cover for days of both kinds."""
TINY = 1e-9
"""Stands for none in a division; none itself has its own formula."""


class Difference(Struct, frozen=True, kw_only=True):
    """An estimate and its interval, in the unit of what was compared."""

    estimate: float
    interval: Interval


def share_difference(
    before: tuple[float, float], after: tuple[float, float], confidence: float = 0.95
) -> Difference:
    """The share (hits, total) after less the one before, with the hybrid score interval.

    Newcombe 1998 (differences of independent proportions), method 10. Counts may be fractions, where they
    were divided by a design effect. A side without trials is a ValueError.
    """
    (x, m), (y, n) = before, after
    if m <= 0 or n <= 0:
        raise ValueError(f"a share needs trials, not {m:g} and {n:g}")
    p, q = x / m, y / n
    old, new = wilson(x, m, confidence), wilson(y, n, confidence)
    low = (q - p) - math.hypot(q - new.low, old.high - p)
    high = (q - p) + math.hypot(new.high - q, p - old.low)
    return Difference(estimate=q - p, interval=Interval(low=low, high=high, confidence=confidence))


def less(one: Difference, other: Difference) -> Difference:
    """`one` less `other`, both with intervals of one confidence, taken as independent.

    Ends by the method of variance estimates recovery (Zou and Donner 2008), of which Newcombe's is the first
    case. Quantities that move together (two sessions over one path) make it wider than need be.
    """
    a, b = one.interval, other.interval
    if a.confidence != b.confidence:
        raise ValueError(f"intervals of {a.confidence} and {b.confidence} cannot be taken from each other")
    middle = one.estimate - other.estimate
    low = middle - math.hypot(one.estimate - a.low, b.high - other.estimate)
    high = middle + math.hypot(a.high - one.estimate, other.estimate - b.low)
    return Difference(estimate=middle, interval=Interval(low=low, high=high, confidence=a.confidence))


def clustered(hits: Sequence[float], totals: Sequence[float], confidence: float = 0.95) -> Interval:
    """The score interval of a proportion over clusters in which losses come together, as in ticks.

    The counts are divided by the design effect (Kish 1965) before Wilson's interval is taken.
    """
    total, gone = sum(totals), sum(hits)
    effect = design_effect(hits, totals)
    trials = max(1, round(total / effect)) if total else 0
    between = wilson(min(trials, round(gone / effect)), trials, confidence)
    share = gone / total if total else 0.0
    return Interval(low=min(between.low, share), high=max(between.high, share), confidence=confidence)


def design_effect(hits: Sequence[float], totals: Sequence[float]) -> float:
    """How many times a packet's word counts too much when losses come in bursts; at least 1.

    hits, totals: per cluster (an hour). Rao and Scott 1992: the variance of the ratio between clusters over
    the binomial one; dividing hits and totals by it gives counts that may be treated as independent.
    """
    kept = [(x, n) for x, n in zip(hits, totals, strict=True) if n > 0]
    count, trials = len(kept), sum(n for _, n in kept)
    share = sum(x for x, _ in kept) / trials if trials else 0.0
    if count < 2 or not 0.0 < share < 1.0:
        return 1.0
    between = count / (count - 1) * sum((x - n * share) ** 2 for x, n in kept) / trials**2
    return max(1.0, between * trials / (share * (1 - share)))


class ClusteredShare(Struct, frozen=True, kw_only=True):
    """The share's distribution over SHARES, from successes and tests of each day.

    The beta-binomial model (Skellam 1948) with Bayes's and Laplace's flat prior on the share, averaged over
    how alike a day's tests may be: a few good days are then no proof of a good line, however many their
    tests.
    """

    chances: Floats

    def interval(self, confidence: float = 0.95) -> Interval:
        """Equal tails."""
        below = np.cumsum(self.chances)
        tail = (1 - confidence) / 2
        width = SHARES[1] - SHARES[0]
        low = SHARES[int(np.searchsorted(below, tail))] - width / 2
        high = SHARES[min(int(np.searchsorted(below, 1 - tail)), len(SHARES) - 1)] + width / 2
        return Interval(low=float(low), high=float(high), confidence=confidence)

    def under(self, share: float) -> float:
        """The chance that the share is less."""
        return float(self.chances[share > SHARES].sum())


def clustered_share(days: Sequence[tuple[int, int]]) -> ClusteredShare:
    """days: (successes, tests) of each day with a test; none gives the flat prior."""
    hits = np.array([k for k, _ in days], dtype=float)
    tests = np.array([n for _, n in days], dtype=float)
    share = SHARES[:, None, None]
    # A beta distribution's two counts: their sum is 1 / alikeness - 1.
    size = (1 / np.maximum(ALIKE, TINY) - 1)[None, :, None]
    a, b = share * size, (1 - share) * size
    each = log_beta(hits + a, tests - hits + b) - log_beta(a, b)
    each[:, 0] = hits * np.log(share[:, 0]) + (tests - hits) * np.log1p(-share[:, 0])
    log = each.sum(axis=2)
    weights = np.exp(log - log.max())
    chances = weights.sum(axis=1)
    return ClusteredShare(chances=chances / chances.sum())
