"""Intervals for a share of packets lost, in plain arithmetic that the daemon can afford."""

import math
from statistics import NormalDist

from msgspec import Struct


class Interval(Struct, frozen=True, kw_only=True):
    """Two ends that hold the true value with the stated confidence; the unit is that of the estimate."""

    low: float
    high: float
    confidence: float

    def __contains__(self, value: float) -> bool:
        return self.low <= value <= self.high


def check_counts(hits: float, total: float, confidence: float) -> None:
    """ValueError unless 0 <= hits <= total and the confidence lies between 0 and 1."""
    if not 0 <= hits <= total:
        raise ValueError(f"{hits} of {total} is no proportion: need 0 <= hits <= total")
    if not 0 < confidence < 1:
        raise ValueError(f"confidence {confidence} must lie between 0 and 1, both left out")


def wilson(hits: float, total: float, confidence: float = 0.95) -> Interval:
    """The score interval of a proportion `hits / total` (Wilson 1927; Newcombe 1998, method 3).

    Ratios between 0 and 1. Holds near 0 and 1, where a loss ratio usually is. Nothing tried: 0 to 1, for
    nothing is known. All lost: the upper end is 1. One packet: 0 to 0.793 or 0.207 to 1 at 95 %.
    Assumes independent packets: with bursts the truth is less sure.
    """
    check_counts(hits, total, confidence)
    if total == 0:
        return Interval(low=0.0, high=1.0, confidence=confidence)
    z = NormalDist().inv_cdf(0.5 + confidence / 2)
    share = hits / total
    scale = 1 + z * z / total
    middle = (share + z * z / (2 * total)) / scale
    half = z * math.sqrt(share * (1 - share) / total + z * z / (4 * total * total)) / scale
    # At the ends the formula gives exactly 0 and 1 on paper; rounding must not exclude them.
    return Interval(
        low=0.0 if hits == 0 else max(0.0, middle - half),
        high=1.0 if hits == total else min(1.0, middle + half),
        confidence=confidence,
    )
