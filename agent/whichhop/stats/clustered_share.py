"""A share of successes whose days are alike within themselves: its distribution and interval. Pure."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy import special

from whichhop.stats.proportion import Interval
from whichhop.stats.quantile import Floats

SHARES = (np.arange(400) + 0.5) / 400
"""Fine enough that an interval's end is off by 0.1 %, far under what any count of tests can tell."""
ALIKE = np.array([0.0, 0.1, 0.3, 0.6, 0.85, 0.95, 0.985, 0.997])
"""How much tests of one day resemble each other (the intraclass correlation): from each for itself to days
that are good or bad as a whole, denser there, since days of which few tests are known may well be; all
equally likely before any data. Chosen so that 95 % intervals cover for days of both kinds."""
TINY = 1e-9
"""Stands for none in a division; none itself has its own formula."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ClusteredShare:
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
    each = special.betaln(hits + a, tests - hits + b) - special.betaln(a, b)
    each[:, 0] = hits * np.log(share[:, 0]) + (tests - hits) * np.log1p(-share[:, 0])
    log = each.sum(axis=2)
    weights = np.exp(log - log.max())
    chances = weights.sum(axis=1)
    return ClusteredShare(chances=chances / chances.sum())
