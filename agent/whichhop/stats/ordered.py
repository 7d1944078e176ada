"""Quantiles of values that are in order already, for what measures and so loads no numpy."""

import math
from collections.abc import Sequence


def quantile_of(ordered: Sequence[float], share: float) -> float:
    """Linear between order statistics (type 7 of Hyndman and Fan 1996); at least one value, share 0 to 1."""
    place = share * (len(ordered) - 1)
    low = math.floor(place)
    high = min(low + 1, len(ordered) - 1)
    return ordered[low] + (place - low) * (ordered[high] - ordered[low])
