"""Passing excess that is not a fault: one-tick blips at a learnt rate, and excess too small to matter."""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from whichhop.compare.inference.baseline import Floats
from whichhop.compare.inference.evidence import LOWEST
from whichhop.compare.suspects.priors import Prior

BLIP_LOG_RATIO = 3.0
"""An excess is counted once it explains a tick 20 times (e^3) better than none does.
Swept: 1.5 and 6 gave the same figures (tests/suite/results/tries.md)."""
PRIOR_TICKS = 2000.0
"""The default rate weighs as much as this many ticks of past: 16 blips of a radio, a count with a relative
standard error of 25 %."""
MINOR_RATE = 0.02
"""Chance a tick that an element which may have a minor excess has one (common practice: busy air)."""
LOG_MINOR = float(np.log(MINOR_RATE))


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


def passing_log(ratios: Floats, minor: Floats, rates: NDArray[np.float64]) -> Floats:
    """Log of chance times likelihood ratio, per tick and element, that it has a passing excess."""
    blip = ratios + np.log(rates).astype(np.float32)
    small = np.where(minor > LOWEST, minor + np.float32(LOG_MINOR), -np.float32(np.inf))
    return np.asarray(np.logaddexp(blip, small), dtype=np.float32)


def none_log(minor: NDArray[np.bool_], rates: NDArray[np.float64]) -> float:
    """Log chance that no element has a passing excess."""
    return float(np.log1p(-rates).sum() + np.log1p(-MINOR_RATE) * minor.sum())


def quiet_log(passing: Floats, none: float) -> NDArray[np.float64]:
    """Log-likelihood per tick of "no fault", in which any one element may still have a passing excess."""
    top = np.maximum(passing.max(axis=1), np.float32(none))
    total = np.exp(passing - top[:, None]).sum(axis=1) + np.exp(none - top)
    return np.asarray(np.log(total) + top, dtype=np.float64)
