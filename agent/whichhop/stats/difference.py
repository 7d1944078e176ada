"""How two shares differ, with an interval that bears rare losses and bursts; and how two such differ."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

from whichhop.stats.proportion import Interval, wilson


@dataclass(frozen=True, slots=True, kw_only=True)
class Difference:
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
