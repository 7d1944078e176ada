"""Levels of all groups at once from what sessions saw: the likeliest values, and the evidence by Laplace."""

from collections.abc import Sequence
from copy import copy
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from whichhop.compare.standing.columns import Budget
from whichhop.compare.standing.likelihoods import Likelihood
from whichhop.compare.standing.usual import HARM_LOG_SD

Floats = NDArray[np.float64]
STEPS = 40
LARGEST_STEP = 1.5
"""In the logarithm: further than that the linear model is not to be trusted."""
SETTLED = 1e-3
"""A gain in log posterior that changes no probability by a thousandth."""
ROUGHLY = 0.1
"""The same on the way there, where only the direction matters."""
FIRST_LOOK = 4
"""So many steps from what is usual tell how well no fault explains, as near as HOPELESS needs it."""
HOPELESS = 12.0
"""A fault without which this feature is e^12 times as well explained, at the best that sessions could say of
it, has no weight beside the same fault without the feature; it is not fitted. That spares a third to three
quarters of all, by feature, and over 261 stretches of development homes no probability
moved by more than 0.0007."""
LOOSE = 5.0
UNEXPLAINED = -4.0
"""A session's log-likelihood under its best; lower than that another hill may explain it."""
SHIFTS = (-1.6, -0.8, 0.0, 0.8, 1.6, 2.4)
"""From which sizes of a fault the way up begins, against the median, in the logarithm."""
LEAST_DAMPING, FIRST_DAMPING, MOST_DAMPING = 1e-3, 0.1, 1e4
CUT_SD = 0.1
"""How soft the lower end of a fault's size is, in the logarithm."""
CUT_SDS = 5.0
"""Further below it no fault is: as unlikely as what is hopeless."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Slab:
    """How large a fault is, a log-normal in the same unit as the feature."""

    median: float
    log_sd: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Fit:
    """Per hypothesis: log evidence (hypotheses,), and of every variable the logarithm of its likeliest value
    and its standard error (hypotheses, groups + faults)."""

    evidence: Floats
    log_value: Floats
    log_error: Floats


def fit(
    matrix: Floats,
    budget: Budget,
    likelihood: Likelihood,
    slab: Slab,
    faults: Sequence[tuple[int, ...]],
    *,
    rough: Sequence[Likelihood] = (),
    alone: Fit | None = None,
) -> Fit:
    """Fit every hypothesis: `faults` holds, for each, the groups that have one (at most two).

    matrix: (sessions, groups). Levels are positive, so their logarithms are the variables. rough: the
    likelihood with ever smaller errors, where it has several hills. alone: of no fault and of each group's
    own, in this order; then `faults` are pairs, and the way up to each begins where one of its two has led.
    Without it the first of `faults` is none. What cannot matter, see HOPELESS, has the levels of no fault and
    a bound as its evidence.
    """
    design = _Design.of_faults(matrix, faults)
    least = np.append(np.log(budget.least), -np.inf)[design.faults]
    start = np.append(budget.mean, np.full(least.shape[1], np.log(slab.median)))
    prior = _Prior(budget, slab, least)
    x = np.tile(start, (len(faults), 1))
    if alone is None:
        nobody = np.array([0])
        none = _climb(x[:1], design.of(nobody), likelihood, prior.of(nobody), steps=FIRST_LOOK)
        bar = none.evidence[0]
    else:
        none = alone
        bar = np.maximum(none.evidence[0], none.evidence[1 + design.faults].max(axis=1))
    most = _most(design, least, likelihood)
    tried = np.flatnonzero(most >= bar - HOPELESS)
    groups = matrix.shape[1]
    out = Fit(evidence=most, log_value=x.copy(), log_error=np.zeros_like(x))
    out.log_value[:, groups:] = least
    if tried.size:
        part, its = design.of(tried), prior.of(tried)
        if alone is None:
            found = none = _from_usual(x[tried], part, likelihood, its, rough)
        else:
            found = _climb(_from_alone(x[tried], alone, part, likelihood, its), part, likelihood, its)
        out.evidence[tried], out.log_value[tried] = found.evidence, found.log_value
        out.log_error[tried] = found.log_error
    hopeless = most < bar - HOPELESS
    out.log_value[hopeless, :groups] = none.log_value[0, :groups]
    out.log_error[hopeless, :groups] = none.log_error[0, :groups]
    return out


def _most(design: "_Design", least: Floats, likelihood: Likelihood) -> Floats:
    """What no evidence is above, per hypothesis: every session as it likes best, beyond the least faults."""
    groups = design.matrix.shape[1] - 1
    levels = np.zeros((len(least), groups + least.shape[1]))
    levels[:, groups:] = np.exp(least - CUT_SDS * CUT_SD)
    return np.asarray(likelihood.value(np.maximum(design.seen(levels), likelihood.best)).sum(axis=1))


def _from_usual(
    x: Floats, design: "_Design", likelihood: Likelihood, prior: "_Prior", rough: Sequence[Likelihood]
) -> Fit:
    """None or one fault, from what is usual; where that leaves something unexplained, by a second way too."""
    found = _climb(_start(x, design, likelihood), design, likelihood, prior)
    if not rough:
        return found
    odd = np.flatnonzero((likelihood.value(design.seen(np.exp(found.log_value))) < UNEXPLAINED).any(axis=1))
    if not odd.size:
        return found
    # A session far off pulls no more than a near one: the way to what explains it leads over wider errors and
    # a prior that holds nothing back.
    part, of_odd = design.of(odd), prior.of(odd)
    here = _start(x[odd], part, rough[0])
    for wider in rough:
        here, *_ = _steps(here, part, wider, of_odd.loosened(), settled_at=ROUGHLY)
    return _better(found, _climb(here, part, likelihood, of_odd), odd)


def _from_alone(x: Floats, alone: Fit, design: "_Design", likelihood: Likelihood, prior: "_Prior") -> Floats:
    """Where the way up to two faults begins: where one of them alone has led, and the other as large as it
    is alone, or of one of a few sizes; what is likeliest of these."""
    groups = x.shape[1] - 2
    starts = []
    for first, second in ((0, 1), (1, 0)):
        its, others = (1 + design.faults[:, k] for k in (first, second))
        begin = x.copy()
        begin[:, :groups] = alone.log_value[its, :groups]
        begin[:, groups + first] = alone.log_value[its, groups]
        for size in (alone.log_value[others, groups], *(x[:, groups + second] + shift for shift in SHIFTS)):
            begin[:, groups + second] = size
            starts.append(begin.copy())
    likely = [likelihood.value(design.seen(np.exp(s))).sum(axis=1) + prior.at(s)[0] for s in starts]
    return np.asarray(np.stack(starts)[np.argmax(likely, axis=0), np.arange(len(x))])


def _better(found: Fit, other: Fit, places: NDArray[np.intp]) -> Fit:
    """The likelier hill of each hypothesis; `other` holds those at `places`."""
    higher = other.evidence > found.evidence[places]
    chosen = places[higher]
    for mine, its in (
        (found.evidence, other.evidence),
        (found.log_value, other.log_value),
        (found.log_error, other.log_error),
    ):
        mine[chosen] = its[higher]
    return found


@dataclass(frozen=True, slots=True)
class _Design:
    """Which groups each hypothesis' variables add to: all of them, and those that have a fault once more.

    matrix: (sessions, groups + 1), the last column empty. faults: (hypotheses, faults) columns of it, the
    last one where there is none. products: (sessions, n), of two columns where some session crosses both, and
    nothing. cells: (groups, groups), which of the products each pair of groups has; fault_cells: (hypotheses,
    faults, variables), which one each fault has with every variable.
    """

    matrix: Floats
    faults: NDArray[np.intp]
    products: Floats
    cells: NDArray[np.intp]
    fault_cells: NDArray[np.intp]

    @classmethod
    def of_faults(cls, matrix: Floats, faults: Sequence[tuple[int, ...]]) -> "_Design":
        sessions, groups = matrix.shape
        count = max((len(f) for f in faults), default=0)
        padded = [(*f, *[groups] * (count - len(f))) for f in faults]
        extra = np.array(padded, dtype=np.intp).reshape(len(faults), count)
        wide = np.concatenate([matrix, np.zeros((sessions, 1))], axis=1)
        one, two = np.nonzero(np.triu(wide.T @ wide))
        table = np.full((groups + 1, groups + 1), len(one))
        table[one, two] = table[two, one] = np.arange(len(one))
        columns = np.concatenate([np.tile(np.arange(groups), (len(faults), 1)), extra], axis=1)
        return cls(
            matrix=wide,
            faults=extra,
            products=np.concatenate([wide[:, one] * wide[:, two], np.zeros((sessions, 1))], axis=1),
            cells=table[:groups, :groups],
            fault_cells=table[extra[:, :, None], columns[:, None, :]],
        )

    def of(self, hypotheses: NDArray[np.intp] | NDArray[np.bool_]) -> "_Design":
        """The same for some of the hypotheses."""
        return replace(self, faults=self.faults[hypotheses], fault_cells=self.fault_cells[hypotheses])

    def seen(self, levels: Floats, times: float = 1.0) -> Floats:
        """What sessions should see, (hypotheses, sessions), faults being so many times as large."""
        groups = self.matrix.shape[1] - 1
        out = levels[:, :groups] @ self.matrix[:, :groups].T
        for k, column in enumerate(self.faults.T):
            out += times * levels[:, groups + k, None] * self.matrix.T[column]
        return out

    def pull(self, slope: Floats, levels: Floats) -> Floats:
        """The gradient by the logarithm of every variable, of slopes by what sessions should see."""
        by_column = slope @ self.matrix
        extra = by_column[np.arange(len(levels))[:, None], self.faults]
        return np.concatenate([by_column[:, :-1], extra], axis=1) * levels

    def bend(self, bend: Floats, levels: Floats) -> Floats:
        """The Hessian by the same, as Gauss and Newton have it, of curvatures."""
        by_product = bend @ self.products
        out = levels[:, :, None] * levels[:, None, :]
        groups = len(self.cells)
        out[:, :groups, :groups] *= by_product.take(self.cells, axis=1)
        for k in range(self.faults.shape[1]):
            of_fault = np.take_along_axis(by_product, self.fault_cells[:, k], axis=1)
            out[:, groups + k] *= of_fault
            out[:, :groups, groups + k] *= of_fault[:, :groups]
        return out


class _Prior:
    """The log prior of all variables of all hypotheses, its slope and curvature."""

    def __init__(self, budget: Budget, slab: Slab, least: Floats) -> None:
        faults = least.shape[1]
        self.mean = np.concatenate([budget.mean, np.full(faults, np.log(slab.median))])
        self.above = np.concatenate([budget.sd_above, np.full(faults, slab.log_sd)])
        self.below = np.concatenate([budget.sd_below, np.full(faults, slab.log_sd)])
        self.harm = np.concatenate([budget.harm, np.full(faults, np.inf)])
        self.least = np.concatenate([np.full((len(least), len(budget.mean)), -np.inf), least], axis=1)
        self.constant = float(np.log(2 / np.sqrt(2 * np.pi) / (self.above + self.below)).sum())

    def of(self, hypotheses: NDArray[np.intp] | NDArray[np.bool_]) -> "_Prior":
        """The same for some of the hypotheses."""
        part = copy(self)
        part.least = self.least[hypotheses]
        return part

    def loosened(self) -> "_Prior":
        """The same, so wide that what was seen decides."""
        wide = copy(self)
        wide.above, wide.below = self.above * LOOSE, self.below * LOOSE
        wide.harm = np.full_like(self.harm, np.inf)
        return wide

    def at(self, x: Floats) -> tuple[Floats, Floats, Floats]:
        sd = np.where(x > self.mean, self.above, self.below)
        off = (x - self.mean) / sd
        over = np.maximum(x - self.harm, 0.0) / HARM_LOG_SD
        under = np.maximum(self.least - x, 0.0) / CUT_SD
        value = -0.5 * (off**2 + over**2 + under**2).sum(axis=1) + self.constant
        slope = -off / sd - over / HARM_LOG_SD + under / CUT_SD
        bend = 1 / sd**2 + (over > 0) / HARM_LOG_SD**2 + (under > 0) / CUT_SD**2
        return value, slope, bend


def _start(x: Floats, design: _Design, likelihood: Likelihood) -> Floats:
    """The best of a few sizes of the faults, the rest at its usual values: one hill may hide another."""
    levels = np.exp(x)
    likely = [likelihood.value(design.seen(levels, float(np.exp(s)))).sum(axis=1) for s in SHIFTS]
    started = x.copy()
    faults = design.faults.shape[1]
    started[:, x.shape[1] - faults :] += np.asarray(SHIFTS)[np.argmax(likely, axis=0)][:, None]
    return started


def _climb(x: Floats, design: _Design, likelihood: Likelihood, prior: _Prior, *, steps: int = STEPS) -> Fit:
    """The top of each hypothesis' hill and, by Laplace, the evidence under it."""
    log_value, value, hessian = _steps(x, design, likelihood, prior, steps=steps)
    _, logdet = np.linalg.slogdet(hessian)
    variance = _diagonal(np.asarray(np.linalg.inv(hessian), dtype=np.float64))
    return Fit(
        evidence=value + 0.5 * x.shape[1] * np.log(2 * np.pi) - 0.5 * logdet,
        log_value=log_value,
        log_error=np.sqrt(np.maximum(variance, 0.0)),
    )


def _steps(
    x: Floats,
    design: _Design,
    likelihood: Likelihood,
    prior: _Prior,
    *,
    settled_at: float = SETTLED,
    steps: int = STEPS,
) -> tuple[Floats, Floats, Floats]:
    """Damped Newton for all hypotheses side by side, to where a step gains no more than `settled_at`; those
    that have settled are left alone. Variables, log posterior and the negative of its Hessian there.

    The damping follows how much of the gain that was promised came (Nielsen 1999, "Damping parameter in
    Marquardt's method"; from memory): a step that kept its promise eases it, each refusal in a row stiffens
    it faster.
    """
    hypotheses = len(x)
    damping, stiffening = np.full(hypotheses, FIRST_DAMPING), np.full(hypotheses, 2.0)
    here = [x.copy(), *_around(x, design, likelihood, prior)]
    settled = [np.empty_like(each) for each in here[:4]]
    moving = np.arange(hypotheses)
    for left in range(steps, 0, -1):
        at, value, gradient, hessian, rest = here
        step = _step(gradient, hessian, rest, damping)
        bent = np.matmul(hessian, step[:, :, None])[:, :, 0]
        promised = (step * (gradient - 0.5 * bent)).sum(axis=1)
        tried = at + step
        new = (tried, *_around(tried, design, likelihood, prior))
        gain = new[1] - value
        better = gain >= 0
        if better.all():
            here = list(new)
        else:
            for mine, its in zip(here, new, strict=True):
                mine[better] = its[better]
        kept = np.clip(gain / np.maximum(promised, 1e-12), 0.0, 1.0)
        eased = np.maximum(damping * np.maximum(0.2, 1 - (2 * kept - 1) ** 3), LEAST_DAMPING)
        damping = np.where(better, eased, damping * stiffening)
        stiffening = np.where(better, 2.0, stiffening * 2.0)
        done = (better & (gain < settled_at)) | (damping > MOST_DAMPING) | (left == 1)
        if not done.any():
            continue
        for kept_there, mine in zip(settled, here, strict=False):
            kept_there[moving[done]] = mine[done]
        if done.all():
            break
        on = ~done
        moving, damping, stiffening = moving[on], damping[on], stiffening[on]
        here, design, prior = [each[on] for each in here], design.of(on), prior.of(on)
    log_value, value, _, hessian = settled
    return log_value, value, hessian


def _around(
    x: Floats, design: _Design, likelihood: Likelihood, prior: _Prior
) -> tuple[Floats, Floats, Floats, Floats]:
    """Log posterior at x, its gradient, and the negative of its Hessian as Gauss and Newton have it.

    At the end what that leaves out, of each variable, where it makes the hill steeper: a level is the
    exponential of its variable, so that the likelihood's slope bends it too. Steps heed it.
    """
    levels = np.exp(x)
    value, slope, bend = likelihood.around(design.seen(levels))
    at, prior_slope, prior_bend = prior.at(x)
    pull, hessian = design.pull(slope, levels), design.bend(bend, levels)
    _diagonal(hessian)[...] += prior_bend
    return value.sum(axis=1) + at, pull + prior_slope, hessian, np.maximum(-pull, 0.0)


def _diagonal(matrices: Floats) -> Floats:
    """(matrices, variables), a view that can be written."""
    return matrices.reshape(len(matrices), -1)[:, :: matrices.shape[1] + 1]


def _step(gradient: Floats, hessian: Floats, rest: Floats, damping: Floats) -> Floats:
    damped = hessian.copy()
    diagonal = _diagonal(damped)
    diagonal *= 1.0 + damping[:, None]
    diagonal += rest
    step = np.linalg.solve(damped, gradient[:, :, None])[:, :, 0]
    return np.asarray(np.clip(step, -LARGEST_STEP, LARGEST_STEP))
