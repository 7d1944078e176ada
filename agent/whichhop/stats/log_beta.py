"""The logarithms of the gamma and beta functions, and the first one's slope, for arrays.

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


def log_gamma_and_slope(x: Floats) -> tuple[Floats, Floats]:
    """`log_gamma` and its slope, the digamma function, for x > 0 (NIST DLMF 5.11.2; each two terms of 5.5.2
    in one): they share logarithms and powers, which are most of their work."""
    z = x + SHIFT
    log_z, one = np.log(z), 1.0 / (z * z)
    square = x * (x + 7.0)
    steps = square, square + 6.0, square + 10.0, square + 12.0
    series = (1 / 12 - one * (1 / 360 - one * (1 / 1260 - one * (1 / 1680 - one * (1 / 1188))))) / z
    value = (z - 0.5) * log_z - z + HALF_LOG_2_PI + series - np.log(steps[0] * steps[1] * steps[2] * steps[3])
    below = 1 / steps[0] + 1 / steps[1] + 1 / steps[2] + 1 / steps[3]
    tail = one * (1 / 12 - one * (1 / 120 - one * (1 / 252 - one * (1 / 240 - one * (1 / 132)))))
    return value, log_z - 0.5 / z - tail - (2.0 * x + 7.0) * below
