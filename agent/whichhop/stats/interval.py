"""Intervals of a quantile without any curve, by order statistics."""

import math

import numpy as np
from numpy.typing import ArrayLike
from scipy import special

from whichhop.stats.proportion import Interval, check_counts


def binomial_quantile(tail: float, n: int, share: float) -> int:
    """The least k with P(B <= k) >= tail, B binomial of n trials (scipy.stats takes a second to load)."""
    if share in (0.0, 1.0):
        return n if share else 0
    near = max(0, math.ceil(special.bdtrik(tail, n, share)))
    # The inverse is of a smooth curve through the steps, so that it can end a hair above a whole number.
    return near - 1 if near and special.bdtr(near - 1, n, share) >= tail else near


def quantile_interval(values: ArrayLike, share: float, confidence: float = 0.95) -> Interval:
    """An interval for the quantile at `share` (0 to 1) by order statistics (Hahn and Meeker 1991, 5.2).

    values: one row in any one unit, lost ones infinite. Needs no curve: the number of samples under the true
    quantile is binomial. An end is infinite where too few samples stand on that side; empty: both infinite.
    """
    check_counts(0, 0, confidence)
    if not 0 <= share <= 1:
        raise ValueError(f"share {share} must lie between 0 and 1")
    ordered = np.sort(np.asarray(values, dtype=np.float64))
    n, tail = len(ordered), (1 - confidence) / 2
    # the largest l with P(B < l) <= tail, the smallest u with P(B >= u) <= tail, counted from 1
    low = binomial_quantile(tail, n, share) if n else 0
    high = binomial_quantile(1 - tail, n, share) + 1 if n else 1
    return Interval(
        low=float(ordered[low - 1]) if low >= 1 else -math.inf,
        high=float(ordered[high - 1]) if high <= n else math.inf,
        confidence=confidence,
    )
