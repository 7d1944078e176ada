"""Levels of all groups at once from what sessions saw: the likeliest values, and the evidence by Laplace."""

from collections.abc import Sequence
from copy import copy
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from whichhop.compare.standing.columns import Budget
from whichhop.compare.standing.design import Design
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
USUAL_SDS = 2.0
"""Where no fault needs no level further above what is usual, the way up to a fault begins beside its levels;
else beside usual ones too, for what took a fault's place would have to be given back along a bent ridge. What
is at an odd level of its own, as a box that answers one packet in eight, keeps it on the first way alone."""
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
    design = Design.of_faults(matrix, faults)
    least = np.append(np.log(budget.least), -np.inf)[design.faults]
    prior = _Prior(budget, slab, least)
    x = np.tile(prior.mean, (len(faults), 1))
    nobody = np.array([0])
    if alone is None:
        none = _by_two_ways(x[:1], design.of(nobody), likelihood, prior.of(nobody), rough)
        well = prior.allows(none.log_value[0])
        bar = none.evidence[0]
    else:
        none = alone
        bar = np.maximum(none.evidence[0], none.evidence[1 + design.faults].max(axis=1))
    most = _most(design, least, likelihood)
    tried = np.flatnonzero(most >= bar - HOPELESS)
    groups = matrix.shape[1]
    out = Fit(evidence=most, log_value=x.copy(), log_error=np.zeros_like(x))
    out.log_value[:, groups:] = least
    out.log_value[:, :groups] = none.log_value[0, :groups]
    out.log_error[:, :groups] = none.log_error[0, :groups]
    if alone is None:
        _put(out, nobody, none)
        tried = tried[tried > 0]
    if tried.size:
        usual, part, its = x[tried], design.of(tried), prior.of(tried)
        if alone is None:
            beside = _sized(_from_none(usual, none, part), part, likelihood, its)
            begin = beside if well else _sized(usual, part, likelihood, its)
            found = _by_two_ways(begin, part, likelihood, its, rough, of_faults=well)
            if not well:
                found = _better(found, _climb(beside, part, likelihood, its), np.arange(tried.size))
        else:
            found = _climb(_from_alone(usual, alone, part, likelihood, its), part, likelihood, its)
        _put(out, tried, found)
    return out


def _most(design: Design, least: Floats, likelihood: Likelihood) -> Floats:
    """What no evidence is above, per hypothesis: every session as it likes best, beyond the least faults."""
    groups = design.matrix.shape[1] - 1
    levels = np.zeros((len(least), groups + least.shape[1]))
    levels[:, groups:] = np.exp(least - CUT_SDS * CUT_SD)
    return np.asarray(likelihood.value(np.maximum(design.seen(levels), likelihood.best)).sum(axis=1))


def _by_two_ways(
    begin: Floats,
    design: Design,
    likelihood: Likelihood,
    prior: "_Prior",
    rough: Sequence[Likelihood],
    *,
    of_faults: bool = False,
) -> Fit:
    """None or one fault from `begin`; where that leaves something unexplained, from what is usual too, by a
    second way. of_faults: only where the faults could explain it."""
    found = _climb(begin, design, likelihood, prior)
    if not rough:
        return found
    unexplained = likelihood.value(design.seen(np.exp(found.log_value))) < UNEXPLAINED
    if of_faults:
        unexplained &= (design.matrix.T[design.faults] > 0).any(axis=1)
    odd = np.flatnonzero(unexplained.any(axis=1))
    if not odd.size:
        return found
    # A session far off pulls no more than a near one: the way to what explains it leads over wider errors and
    # a prior that holds nothing back.
    part, of_odd = design.of(odd), prior.of(odd)
    loose = of_odd.loosened()
    here = _sized(np.tile(prior.mean, (odd.size, 1)), part, rough[0], loose)
    for wider in rough:
        here, *_ = _steps(here, part, wider, loose, settled_at=ROUGHLY)
    return _better(found, _climb(here, part, likelihood, of_odd), odd)


def _from_none(x: Floats, none: Fit, design: Design) -> Floats:
    """Usual sizes of faults beside the levels that no fault leads to, but for the faults' own groups, which
    are no higher than usual."""
    groups = len(design.cells)
    begin, rows = x.copy(), np.arange(len(x))[:, None]
    begin[:, :groups] = none.log_value[0, :groups]
    begin[rows, design.faults] = np.minimum(begin, x)[rows, design.faults]
    return begin


def _sized(begin: Floats, design: Design, likelihood: Likelihood, prior: "_Prior") -> Floats:
    """The likeliest of a few sizes of the faults, the rest as it was: one hill may hide another."""
    starts = [begin.copy() for _ in SHIFTS]
    for start, shift in zip(starts, SHIFTS, strict=True):
        start[:, len(design.cells) :] += shift
    return _likeliest(starts, design, likelihood, prior)


def _from_alone(x: Floats, alone: Fit, design: Design, likelihood: Likelihood, prior: "_Prior") -> Floats:
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
    return _likeliest(starts, design, likelihood, prior)


def _likeliest(starts: Sequence[Floats], design: Design, likelihood: Likelihood, prior: "_Prior") -> Floats:
    """Per hypothesis the start on which its hill is highest."""
    count, rows = len(starts), np.arange(len(starts[0]))
    # All at once: of few hypotheses a call costs more than its work.
    every, each = np.concatenate(starts), np.tile(rows, count)
    high = likelihood.value(design.of(each).seen(np.exp(every))).sum(axis=1) + prior.of(each).at(every)[0]
    best = np.argmax(high.reshape(count, -1), axis=0)
    return np.asarray(every[best * len(rows) + rows])


def _better(found: Fit, other: Fit, places: NDArray[np.intp]) -> Fit:
    """The likelier hill of each hypothesis; `other` holds those at `places`."""
    higher = other.evidence > found.evidence[places]
    _put(found, places[higher], other, higher)
    return found


def _put(
    into: Fit,
    places: NDArray[np.intp],
    found: Fit,
    which: slice | NDArray[np.bool_] = slice(None),
) -> None:
    """The hypotheses at `places` are those of `which` of the found."""
    into.evidence[places] = found.evidence[which]
    into.log_value[places] = found.log_value[which]
    into.log_error[places] = found.log_error[which]


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

    def allows(self, x: Floats) -> bool:
        """Whether no variable is so high that a fault would have to take its place."""
        return bool((x - self.mean < USUAL_SDS * self.above).all())

    def at(self, x: Floats) -> tuple[Floats, Floats, Floats]:
        off = x - self.mean
        weight = np.where(off > 0, self.above**-2, self.below**-2)
        over = np.maximum(x - self.harm, 0.0)
        under = np.maximum(self.least - x, 0.0)
        pulled, pressed, pushed = weight * off, over * HARM_LOG_SD**-2, under * CUT_SD**-2
        value = self.constant - 0.5 * (pulled * off + pressed * over + pushed * under).sum(axis=1)
        slope = pushed - pressed - pulled
        bend = weight + (over > 0) * HARM_LOG_SD**-2 + (under > 0) * CUT_SD**-2
        return value, slope, bend


def _climb(x: Floats, design: Design, likelihood: Likelihood, prior: _Prior) -> Fit:
    """The top of each hypothesis' hill and, by Laplace, the evidence under it."""
    log_value, value, hessian = _steps(x, design, likelihood, prior)
    _, logdet = np.linalg.slogdet(hessian)
    variance = _diagonal(np.asarray(np.linalg.inv(hessian), dtype=np.float64))
    return Fit(
        evidence=value + 0.5 * x.shape[1] * np.log(2 * np.pi) - 0.5 * logdet,
        log_value=log_value,
        log_error=np.sqrt(np.maximum(variance, 0.0)),
    )


def _steps(
    x: Floats,
    design: Design,
    likelihood: Likelihood,
    prior: _Prior,
    *,
    settled_at: float = SETTLED,
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
    for left in range(STEPS, 0, -1):
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
    x: Floats, design: Design, likelihood: Likelihood, prior: _Prior
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
