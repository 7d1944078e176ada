"""Intervals without a normal curve: the centre of symmetric values, and a quantile."""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy import special

from whichhop.stats.proportion import Interval, check_counts
from whichhop.stats.quantile import Floats

LARGEST_EXACT = 50
"""Up to this many of either sample the rank distributions are enumerated; above, a normal curve serves."""


def _sample(values: ArrayLike, name: str) -> Floats:
    array = np.asarray(values, dtype=np.float64)
    if array.ndim != 1 or not len(array) or not np.isfinite(array).all():
        raise ValueError(f"{name} must be one row of at least one finite number")
    return array


@dataclass(frozen=True, slots=True, kw_only=True)
class Shift:
    """An estimate by Hodges and Lehmann 1963 in the input's unit, its interval, and the values behind it."""

    estimate: float
    interval: Interval
    count: int


def _signed_rank_cut(n: int, tail: float) -> int:
    """The largest c with P(V < c) <= tail for Wilcoxon's signed-rank V of n differences, no ties."""
    if n > LARGEST_EXACT:
        sigma = math.sqrt(n * (n + 1) * (2 * n + 1) / 24)
        return max(0, math.floor(n * (n + 1) / 4 + special.ndtri(tail) * sigma + 0.5))
    ways = np.zeros(n * (n + 1) // 2 + 1)
    ways[0] = 1
    for rank in range(1, n + 1):
        ways[rank:] = ways[rank:] + ways[:-rank]
    return int(np.searchsorted(np.cumsum(ways) / 2.0**n, tail, side="right"))


def binomial_quantile(tail: float, n: int, share: float) -> int:
    """The least k with P(B <= k) >= tail, B binomial of n trials (scipy.stats takes a second to load)."""
    if share in (0.0, 1.0):
        return n if share else 0
    near = max(0, math.ceil(special.bdtrik(tail, n, share)))
    # The inverse is of a smooth curve through the steps, so that it can end a hair above a whole number.
    return near - 1 if near and special.bdtr(near - 1, n, share) >= tail else near


def _between(ordered: Floats, cut: int, confidence: float, count: int) -> Shift:
    """The middle of all pairwise values, and the order statistics that the cut leaves on each side."""
    if cut == 0:  # too few samples for this confidence: anything is possible
        interval = Interval(low=-math.inf, high=math.inf, confidence=confidence)
    else:
        interval = Interval(low=float(ordered[cut - 1]), high=float(ordered[-cut]), confidence=confidence)
    return Shift(estimate=float(np.median(ordered)), interval=interval, count=count)


def centre(values: ArrayLike, confidence: float = 0.95) -> Shift:
    """The centre of symmetric values, such as paired differences: median of Walsh averages, Tukey's interval.

    Finite values in one unit. The interval inverts Wilcoxon's signed-rank test; one sample gives an endless
    interval; an empty one is a ValueError.
    """
    check_counts(0, 0, confidence)
    array = _sample(values, "values")
    i, j = np.triu_indices(len(array))
    walsh = np.sort((array[i] + array[j]) / 2)
    return _between(walsh, _signed_rank_cut(len(array), (1 - confidence) / 2), confidence, len(array))


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
