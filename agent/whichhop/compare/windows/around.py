"""A tick with its neighbours: a queue outlasts what filled it, and ten answers say little alone."""

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import convolve1d

Floats = NDArray[np.float64]


def summed_around(values: NDArray[np.generic], ticks: int) -> Floats:
    """Sums over so many ticks, an odd number, with each in the middle; beyond the ends there is nothing.

    values: (ticks,) or (ticks, columns), of any length, without NaN.
    """
    return np.asarray(convolve1d(values.astype(np.float64), np.ones(ticks), axis=0, mode="constant"))


def highest_around(values: Floats) -> Floats:
    """The highest of each tick (ticks,) and its two neighbours; NaN where all are."""
    out = values.copy()
    out[1:] = np.fmax(out[1:], values[:-1])
    out[:-1] = np.fmax(out[:-1], values[1:])
    return out
