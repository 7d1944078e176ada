"""What shape an episode has (delay, loss or both), and which of several inseparable elements that fits."""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from whichhop.compare.inference.baseline import Floats
from whichhop.compare.suspects.priors import Prior

OFF = 0.1
"""A fault of a shape shows it in nine ticks of ten. Swept: half and twice of it gave the same figures
(tests/suite/results/tries.md)."""
TEMPER = 0.5
"""Ticks of one fault are not independent, so each counts for half. Swept: half of it gave the same figures
(tests/suite/results/tries.md)."""


def shape_odds(delay: Floats, loss: Floats) -> NDArray[np.float64]:
    """Relative likelihood of the shapes delay only, loss only and both, from an episode's ticks.

    delay, loss: (ticks,) log-ratios that the sessions crossing the group are delayed, that they lose.
    """
    d = np.minimum(delay.astype(np.float64), 60.0)
    k = np.minimum(loss.astype(np.float64), 60.0)
    only_delay = np.logaddexp(np.log(1 - OFF) + d, np.log(OFF))
    only_loss = np.logaddexp(np.log(1 - OFF) + k, np.log(OFF))
    both = np.logaddexp.reduce([np.log(0.3) + d, np.log(0.3) + k, np.log(0.4) + d + k])
    total = TEMPER * np.array([only_delay.sum(), only_loss.sum(), both.sum()])
    odds = np.exp(total - total.max())
    return np.asarray(odds / odds.sum(), dtype=np.float64)


def reweighted(
    shares: NDArray[np.float64], odds: NDArray[np.float64], priors: Sequence[Prior]
) -> NDArray[np.float64]:
    """Members' shares once the shape is known: each member's own mix of shapes is weighed against it."""
    fit = np.array([[p.delay, p.loss, p.both] for p in priors]) @ odds
    weighed = shares * fit
    return np.asarray(weighed / max(float(weighed.sum()), 1e-300), dtype=np.float64)
