"""The logarithms of the gamma and beta functions, and the digamma function, for arrays.

scipy has them too, but loading it costs as much processor time as loading all of the comparer beside numpy,
each time an agent starts one.
"""

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
SHIFT = 8
"""The series are taken so much further on, where the next term is below 1e-12; the recurrence leads back."""
HALF_LOG_2_PI = 0.5 * float(np.log(2.0 * np.pi))


def _further_on(x: Floats) -> Floats:
    """The logarithm of gamma at x + SHIFT, by its asymptotic series (NIST DLMF 5.11.1)."""
    z = x + SHIFT
    square = z * z
    np.divide(1.0, square, out=square)
    series = square * (1 / 1188)
    for term in (1 / 1680, 1 / 1260, 1 / 360):
        np.subtract(term, series, out=series)
        series *= square
    np.subtract(1 / 12, series, out=series)
    series /= z
    found = z - 0.5
    found *= np.log(z)
    found -= z
    found += HALF_LOG_2_PI
    found += series
    return found


def _between(x: Floats) -> Floats:
    """How many times as large gamma is at x + SHIFT as at x (NIST DLMF 5.5.1)."""
    square = x + 7.0
    square *= x
    found = square + 6.0
    found *= square
    found *= square + 10.0
    found *= square + 12.0
    return found


def log_gamma(x: Floats) -> Floats:
    """The logarithm of gamma for x > 0."""
    return np.asarray(_further_on(x) - np.log(_between(x)))


def log_beta(a: Floats, b: Floats) -> Floats:
    """The logarithm of the beta function for a, b > 0, of one shape (NIST DLMF 5.12.1)."""
    # All three in one array: most that is asked for is small, where a call costs more than its work.
    each = np.stack([a, b, a + b])
    back, further = _between(each), _further_on(each)
    found = further[0]
    found += further[1]
    found -= further[2]
    found += np.log(back[2] / back[0] / back[1])
    return np.asarray(found)


def digamma(x: Floats) -> Floats:
    """The slope of `log_gamma` for x > 0 (NIST DLMF 5.11.2); each two terms of 5.5.2 in one."""
    z = x + SHIFT
    square = x * (x + 7.0)
    below = 1 / square + 1 / (square + 6.0) + 1 / (square + 10.0) + 1 / (square + 12.0)
    tail = 1.0 / (z * z)
    series = 1 / 12 - tail * (1 / 120 - tail * (1 / 252 - tail * (1 / 240 - tail * (1 / 132))))
    return np.asarray(np.log(z) - 0.5 / z - tail * series - (2.0 * x + 7.0) * below)
