"""The hill of each hypothesis over its variables: how likely they are by what was seen and by what is usual.

Hypotheses of all measures lie side by side, since of few a call of numpy costs more than its work.
"""

from collections.abc import Callable, Sequence
from typing import NamedTuple

import numpy as np
from msgspec import Struct
from msgspec.structs import replace
from numpy.typing import NDArray

from whichhop.compare.standing.columns import Budget
from whichhop.compare.standing.design import Design
from whichhop.compare.standing.likelihoods import Likelihood
from whichhop.compare.standing.usual import HARM_LOG_SD

Floats = NDArray[np.float64]
Rows = NDArray[np.intp] | NDArray[np.bool_]
LOOSE = 5.0
CUT_SD = 0.1
"""How soft the lower end of a fault's size is, in the logarithm."""


class Slab(Struct, frozen=True, kw_only=True):
    """How large a fault is, a log-normal in the same unit as the measure."""

    median: float
    log_sd: float


class Measure(Struct, frozen=True, kw_only=True):
    """One of the figures that sessions are seen by: what is usual of each group, what was seen, how large a
    fault is. rough: the likelihood with ever smaller errors, where it has several hills."""

    budget: Budget
    likelihood: Likelihood
    slab: Slab
    rough: tuple[Likelihood, ...] = ()


class Prior(NamedTuple):
    """What is known of every variable of every hypothesis before anything is seen, (hypotheses, variables);
    constant: (hypotheses,). stiff_above, stiff_below: 1 / spread^2."""

    mean: Floats
    above: Floats
    below: Floats
    stiff_above: Floats
    stiff_below: Floats
    harm: Floats
    least: Floats
    constant: Floats

    @classmethod
    def of_measures(cls, measures: Sequence[Measure], least: Floats) -> "Prior":
        """least: (measures, hypotheses, faults), the logarithm of the smallest fault. One measure after the
        other."""
        _, hypotheses, faults = least.shape

        def each(of_groups: Sequence[Floats], of_faults: Sequence[float]) -> Floats:
            rows = [np.append(g, np.full(faults, f)) for g, f in zip(of_groups, of_faults, strict=True)]
            return np.repeat(np.stack(rows), hypotheses, axis=0)

        budgets, sizes = [m.budget for m in measures], [m.slab.log_sd for m in measures]
        above, below = each([b.sd_above for b in budgets], sizes), each([b.sd_below for b in budgets], sizes)
        nowhere = np.full((len(above), above.shape[1] - faults), -np.inf)
        return cls(
            mean=each([b.mean for b in budgets], [float(np.log(m.slab.median)) for m in measures]),
            above=above,
            below=below,
            stiff_above=above**-2,
            stiff_below=below**-2,
            harm=each([b.harm for b in budgets], [np.inf] * len(measures)),
            least=np.append(nowhere, least.reshape(len(above), faults), axis=1),
            constant=np.log(2 / np.sqrt(2 * np.pi) / (above + below)).sum(axis=1),
        )

    def of(self, rows: Rows) -> "Prior":
        """The same for some of the hypotheses."""
        return Prior(*(each[rows] for each in self))

    def loosened(self) -> "Prior":
        """The same, so wide that what was seen decides."""
        return self._replace(
            stiff_above=(self.above * LOOSE) ** -2,
            stiff_below=(self.below * LOOSE) ** -2,
            harm=np.full_like(self.harm, np.inf),
        )

    def at(self, x: Floats) -> tuple[Floats, Floats, Floats]:
        """Log prior, its slope and curvature."""
        off = x - self.mean
        weight = np.where(off > 0, self.stiff_above, self.stiff_below)
        over = np.maximum(x - self.harm, 0.0)
        under = np.maximum(self.least - x, 0.0)
        pulled, pressed, pushed = weight * off, over * HARM_LOG_SD**-2, under * CUT_SD**-2
        value = self.constant - 0.5 * (pulled * off + pressed * over + pushed * under).sum(axis=1)
        slope = pushed - pressed - pulled
        bend = weight + (over > 0) * HARM_LOG_SD**-2 + (under > 0) * CUT_SD**-2
        return value, slope, bend


class Hills(Struct, frozen=True):
    """Hypotheses side by side, those of one measure together.

    likelihoods: of every measure; measure: (hypotheses,) which of them each has, rising.
    """

    design: Design
    prior: Prior
    likelihoods: tuple[Likelihood, ...]
    measure: NDArray[np.intp]

    def __len__(self) -> int:
        return len(self.measure)

    def of(self, rows: Rows) -> "Hills":
        """The same for some of the hypotheses, in their order."""
        return Hills(self.design.of(rows), self.prior.of(rows), self.likelihoods, self.measure[rows])

    def loosened(self) -> "Hills":
        """The same under a prior that holds nothing back."""
        return replace(self, prior=self.prior.loosened())

    def seen(self, x: Floats) -> Floats:
        """Log-likelihood of every session, (hypotheses, sessions)."""
        return self.likely(self.design.seen(np.exp(x)))

    def likely(self, expected: Floats) -> Floats:
        """The same by what sessions should have seen."""
        return self._by_measure(expected, lambda likelihood, part: (likelihood.value(part),))[0]

    def high(self, x: Floats) -> Floats:
        """Log posterior, (hypotheses,)."""
        return np.asarray(self.seen(x).sum(axis=1) + self.prior.at(x)[0])

    def around(self, x: Floats) -> tuple[Floats, Floats, Floats, Floats]:
        """Log posterior at x, its gradient, and the negative of its Hessian as Gauss and Newton have it.

        At the end what that leaves out, of each variable, where it makes the hill steeper: a level is the
        exponential of its variable, so that the likelihood's slope bends it too. Steps heed it.
        """
        levels = np.exp(x)
        expected = self.design.seen(levels)
        value, slope, bend = self._by_measure(expected, lambda likelihood, part: likelihood.around(part))
        at, prior_slope, prior_bend = self.prior.at(x)
        pull, hessian = self.design.pull(slope, levels), self.design.bend(bend, levels)
        diagonal(hessian)[...] += prior_bend
        return value.sum(axis=1) + at, pull + prior_slope, hessian, np.maximum(-pull, 0.0)

    def _by_measure(
        self, expected: Floats, asked: Callable[[Likelihood, Floats], tuple[Floats, ...]]
    ) -> list[Floats]:
        """What each measure's likelihood says of its own hypotheses."""
        edges = np.searchsorted(self.measure, np.arange(len(self.likelihoods) + 1)).tolist()
        parts = [
            asked(likelihood, expected[first:end])
            for likelihood, first, end in zip(self.likelihoods, edges, edges[1:], strict=False)
            if first < end
        ]
        return [each[0] if len(each) == 1 else np.concatenate(each) for each in zip(*parts, strict=True)]


def diagonal(matrices: Floats) -> Floats:
    """(matrices, variables), a view that can be written."""
    return matrices.reshape(len(matrices), -1)[:, :: matrices.shape[1] + 1]
