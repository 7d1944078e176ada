"""Passing excess that is not a fault: each element's rate of one-tick blips, learnt from its own past."""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from whichhop.compare.baseline import Floats
from whichhop.compare.priors import Prior

BLIP_LOG_RATIO = 3.0
PRIOR_TICKS = 2000.0
"""The default rate weighs as much as this many ticks of past."""


class BlipRates:
    """Counts isolated excesses per element; the rate stays between a third of the default and a cap."""

    def __init__(self, priors: Sequence[Prior], step_s: float) -> None:
        scale = step_s / 10.0
        self._default = np.array([p.blip for p in priors]) * scale
        self._cap = np.array([p.blip_cap for p in priors]) * scale
        self._seen = np.zeros(len(priors))
        self._ticks = 0.0

    def rates(self) -> NDArray[np.float64]:
        """Chance of a blip per tick and element, as learnt so far."""
        rate = (self._seen + PRIOR_TICKS * self._default) / (self._ticks + PRIOR_TICKS)
        return np.clip(rate, self._default / 3.0, self._cap)

    def learn(self, ratios: Floats) -> None:
        """Take in log-ratios, shape (ticks, elements); only ticks whose neighbours are calm count.

        In each such tick the best explanation alone is charged.
        """
        if ratios.shape[0] < 3:
            return
        top = ratios.max(axis=1)
        loud = top > BLIP_LOG_RATIO
        alone = loud.copy()
        alone[1:] &= ~loud[:-1]
        alone[:-1] &= ~loud[1:]
        best = ratios.argmax(axis=1)
        self._seen += np.bincount(best[alone], minlength=ratios.shape[1])
        self._ticks += ratios.shape[0]


def quiet_log(ratios: Floats, rates: NDArray[np.float64]) -> NDArray[np.float64]:
    """Log-likelihood per tick of "no fault", in which any one element may still have a blip."""
    return np.asarray(np.logaddexp(np.log1p(-rates.sum()), _log_weighted(ratios, rates)), dtype=np.float64)


def _log_weighted(ratios: Floats, rates: NDArray[np.float64]) -> NDArray[np.float64]:
    top = ratios.max(axis=1)
    weighted = np.exp(ratios - top[:, None]) @ rates.astype(np.float32)
    return np.asarray(np.log(np.maximum(weighted, 1e-30)) + top, dtype=np.float64)
