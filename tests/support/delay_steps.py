"""Tables over steps of delay, read between the steps as scipy's cubic through the four nearest does."""

from functools import cache
from itertools import pairwise

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.interpolate import BarycentricInterpolator

from whichhop.compare.inference.likelihood import DELAYS_S


@cache
def _weights(value_s: float) -> tuple[slice, NDArray[np.float64]]:
    at = np.clip(value_s, DELAYS_S[0], DELAYS_S[-1])
    first = int(np.clip(np.searchsorted(DELAYS_S, at) - 2, 0, len(DELAYS_S) - 4))
    near = slice(first, first + 4)
    return near, BarycentricInterpolator(np.log(DELAYS_S[near]), np.eye(4))(np.log(at))


def read_delay(value_s: float, column: NDArray[np.floating]) -> float:
    """A table's value at a delay; outside of the steps its end's."""
    near, weights = _weights(float(value_s))
    return float(weights @ column[near])


def with_halves(column: ArrayLike) -> NDArray[np.float64]:
    """A table's values with those halfway between two steps, by their logarithm."""
    plain = np.asarray(column, dtype=np.float64)
    halves = [read_delay(float(np.sqrt(a * b)), plain) for a, b in pairwise(DELAYS_S)]
    return np.insert(plain, np.arange(1, len(plain)), halves)


def halves_allowed(allowed: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Which of these count: what is halfway above a step that does."""
    return np.repeat(allowed, 2)[:-1]
