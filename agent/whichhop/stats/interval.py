"""Intervals and tests without a normal curve: exact proportions, shifts, resampling, many tests at once."""

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy import special, stats

from whichhop.stats.proportion import Interval, check_counts
from whichhop.stats.quantile import Floats

Statistic = Callable[[Floats], float]
LARGEST_EXACT = 50
"""Up to this many of either sample the rank distributions are enumerated; above, a normal curve serves."""


def _sample(values: ArrayLike, name: str) -> Floats:
    array = np.asarray(values, dtype=np.float64)
    if array.ndim != 1 or not len(array) or not np.isfinite(array).all():
        raise ValueError(f"{name} must be one row of at least one finite number")
    return array


def clopper_pearson(hits: int, total: int, confidence: float = 0.95) -> Interval:
    """The exact interval of a proportion (Clopper and Pearson 1934; Newcombe 1998, method 5), 0 to 1.

    Never covers less than stated, so it is wider than Wilson's. Nothing tried: 0 to 1. All lost: upper 1.
    """
    check_counts(hits, total, confidence)
    tail = (1 - confidence) / 2
    low = float(special.betaincinv(hits, total - hits + 1, tail)) if hits else 0.0
    high = float(special.betaincinv(hits + 1, total - hits, 1 - tail)) if hits < total else 1.0
    return Interval(low=low, high=high, confidence=confidence)


@dataclass(frozen=True, slots=True, kw_only=True)
class Shift:
    """An estimate by Hodges and Lehmann 1963 in the input's unit, its interval, and the values behind it."""

    estimate: float
    interval: Interval
    count: int


def _rank_sum_cut(m: int, n: int, tail: float) -> int:
    """The largest c with P(U < c) <= tail for the Mann-Whitney U of samples of m and n, no ties."""
    if max(m, n) > LARGEST_EXACT:
        sigma = math.sqrt(m * n * (m + n + 1) / 12)
        return max(0, math.floor(m * n / 2 + stats.norm.ppf(tail) * sigma + 0.5))
    # Ways to reach each U: the Gaussian binomial's coefficients, built factor by factor.
    ways = np.zeros(m * n + 1)
    ways[0] = 1
    for i in range(1, m + 1):
        up = ways.copy()
        for u in range(n + i, m * n + 1):
            up[u] -= ways[u - n - i]
        for u in range(i, m * n + 1):
            up[u] += up[u - i]
        ways = up
    return int(np.searchsorted(np.cumsum(ways) / math.comb(m + n, m), tail, side="right"))


def _signed_rank_cut(n: int, tail: float) -> int:
    """The largest c with P(V < c) <= tail for Wilcoxon's signed-rank V of n differences, no ties."""
    if n > LARGEST_EXACT:
        sigma = math.sqrt(n * (n + 1) * (2 * n + 1) / 24)
        return max(0, math.floor(n * (n + 1) / 4 + stats.norm.ppf(tail) * sigma + 0.5))
    ways = np.zeros(n * (n + 1) // 2 + 1)
    ways[0] = 1
    for rank in range(1, n + 1):
        ways[rank:] = ways[rank:] + ways[:-rank]
    return int(np.searchsorted(np.cumsum(ways) / 2.0**n, tail, side="right"))


def _between(ordered: Floats, cut: int, confidence: float, count: int) -> Shift:
    """The middle of all pairwise values, and the order statistics that the cut leaves on each side."""
    if cut == 0:  # too few samples for this confidence: anything is possible
        interval = Interval(low=-math.inf, high=math.inf, confidence=confidence)
    else:
        interval = Interval(low=float(ordered[cut - 1]), high=float(ordered[-cut]), confidence=confidence)
    return Shift(estimate=float(np.median(ordered)), interval=interval, count=count)


def shift_between(before: ArrayLike, after: ArrayLike, confidence: float = 0.95) -> Shift:
    """How much larger `after` is than `before`: the median of all differences, with Moses' interval.

    Two independent samples in one unit, finite; for lost packets compare proportions instead. The interval
    inverts the Mann-Whitney test, so needs no curve; endless where the samples are too small. An empty
    sample is a ValueError. Memory grows with the product of the lengths: hour medians, not packets.
    """
    check_counts(0, 0, confidence)
    x, y = _sample(before, "before"), _sample(after, "after")
    differences = np.sort(np.subtract.outer(y, x), axis=None)
    cut = _rank_sum_cut(len(x), len(y), (1 - confidence) / 2)
    return _between(differences, cut, confidence, len(x) + len(y))


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


def chance_larger(before: ArrayLike, after: ArrayLike) -> float:
    """Chance that a value of `after` exceeds one of `before`, ties halved (Vargha and Delaney 2000), 0 to 1.

    Infinite (lost) values may take part; 0.5 is no difference; Cliff's delta is twice this less one.
    An empty sample is a ValueError.
    """
    x, y = np.asarray(before, dtype=np.float64), np.asarray(after, dtype=np.float64)
    if not len(x) or not len(y):
        raise ValueError("both samples need at least one value")
    x = np.sort(x)
    under = np.searchsorted(x, y, side="left").sum() + np.searchsorted(x, y, side="right").sum()
    return float(under / (2 * len(x) * len(y)))


def bootstrap(
    values: ArrayLike,
    statistic: Statistic,
    rng: np.random.Generator,
    *,
    confidence: float = 0.95,
    resamples: int = 2000,
    block: int = 1,
) -> Interval:
    """The percentile bootstrap interval of a statistic (Efron 1979); the dice are passed in.

    block: neighbours drawn together, in a ring (Politis and Romano 1992), for values that depend on each
    other in time; 1 draws them singly. Infinite values may take part if the statistic bears them. One
    sample gives an interval of no width, which says nothing; an empty one is a ValueError.
    """
    check_counts(0, 0, confidence)
    array = np.asarray(values, dtype=np.float64)
    if not len(array) or not 1 <= block <= len(array):
        raise ValueError(
            f"need at least one value and a block of 1 to their number, not {block} of {len(array)}"
        )
    starts = rng.integers(0, len(array), size=(resamples, math.ceil(len(array) / block)))
    picks = (starts[:, :, None] + np.arange(block)) % len(array)
    rows = array[picks.reshape(resamples, -1)[:, : len(array)]]
    found = np.sort([statistic(row) for row in rows])
    tail = (1 - confidence) / 2
    return Interval(
        low=float(found[math.floor(tail * (resamples - 1))]),
        high=float(found[math.ceil((1 - tail) * (resamples - 1))]),
        confidence=confidence,
    )


def benjamini_hochberg(p_values: ArrayLike) -> Floats:
    """P-values adjusted for the share of false discoveries (Benjamini and Hochberg 1995), 0 to 1.

    Same order and length as given; reject where the result is at most the wanted share. Empty: empty.
    """
    p = np.asarray(p_values, dtype=np.float64)
    if ((p < 0) | (p > 1) | np.isnan(p)).any():
        raise ValueError("p-values must lie between 0 and 1")
    order = np.argsort(p, kind="stable")
    scaled = p[order] * len(p) / np.arange(1, len(p) + 1)
    adjusted = np.empty_like(p)
    adjusted[order] = np.minimum.accumulate(scaled[::-1])[::-1].clip(max=1.0)
    return adjusted


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
    low = int(stats.binom.ppf(tail, n, share)) if n else 0
    high = int(stats.binom.ppf(1 - tail, n, share)) + 1 if n else 1
    return Interval(
        low=float(ordered[low - 1]) if low >= 1 else -math.inf,
        high=float(ordered[high - 1]) if high <= n else math.inf,
        confidence=confidence,
    )
