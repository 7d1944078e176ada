"""A tick with its neighbours: a queue outlasts what filled it, and ten answers say little alone."""

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


def runs_of(there: NDArray[np.bool_]) -> list[tuple[int, int]]:
    """First and end tick of each run of ticks in which something is there (ticks,)."""
    edges = np.flatnonzero(np.diff(there.astype(np.int8), prepend=0, append=0)).tolist()
    return list(zip(edges[::2], edges[1::2], strict=True))


def summed_around(values: NDArray[np.generic], ticks: int) -> Floats:
    """Sums over so many ticks, an odd number, with each in the middle; beyond the ends there is nothing.

    values: (ticks,) or (ticks, columns), of any length, without NaN.
    """
    each = values.astype(np.float64)
    out = each.copy()
    for apart in range(1, ticks // 2 + 1):
        out[apart:] += each[:-apart]
        out[:-apart] += each[apart:]
    return out


def highest_around(values: Floats) -> Floats:
    """The highest of each tick (ticks,) and its two neighbours; NaN where all are."""
    out = values.copy()
    out[1:] = np.fmax(out[1:], values[:-1])
    out[:-1] = np.fmax(out[:-1], values[1:])
    return out
