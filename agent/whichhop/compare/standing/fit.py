"""Levels of all groups at once from what sessions saw: the likeliest values, and the evidence by Laplace."""

from collections.abc import Callable, Sequence
from copy import copy
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import betaln, digamma

from whichhop.compare.standing.columns import Budget
from whichhop.compare.standing.usual import HARM_LOG_SD

Floats = NDArray[np.float64]
FREEDOM = 4.0
"""Degrees of freedom of a session's error: now and then one does its own thing."""
UNKNOWN_S = 1e3
"""The error of a session of which nothing is known: any delay fits."""
SIZE = 200.0
"""Loss differs from path to path by about as much as 200 packets show; smaller sizes let one box's own
limited answers convict its link."""
TEMPER = 0.4
"""Losses come in bursts, so that a packet is worth less than an independent one."""
STEPS = 40
LARGEST_STEP = 1.5
"""In the logarithm: further than that the linear model is not to be trusted."""
SETTLED = 1e-3
"""A gain in log posterior that changes no probability by a thousandth."""
WIDER = (0.5, 0.15, 0.04)
LOOSE = 5.0
UNEXPLAINED = -4.0
"""A session's log-likelihood under its best; lower than that another hill may explain it."""
SHIFTS = (-1.6, -0.8, 0.0, 0.8, 1.6, 2.4)
"""From which sizes of a fault the way up begins, against the median, in the logarithm."""
LEAST_DAMPING, FIRST_DAMPING, MOST_DAMPING = 1e-3, 0.1, 1e4
CUT_SD = 0.1
"""How soft the lower end of a fault's size is, in the logarithm."""

Slopes = tuple[Floats, Floats, Floats]


@dataclass(frozen=True, slots=True)
class Likelihood:
    """From what sessions should have seen (..., sessions) to the log-likelihood; around: with its slope and
    its curvature (>= 0)."""

    value: Callable[[Floats], Floats]
    around: Callable[[Floats], Slopes]


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


def of_delays(seen_s: Floats, error_s: Floats) -> Likelihood:
    """Sessions' delays with Student errors; what is not a number is not known."""
    known = np.isfinite(seen_s) & np.isfinite(error_s)
    seen_s, error_s = np.where(known, seen_s, 0.0), np.where(known, error_s, UNKNOWN_S)

    scale = FREEDOM * error_s**2

    def value(expected: Floats) -> Floats:
        return np.asarray(-0.5 * (FREEDOM + 1) * np.log1p((seen_s - expected) ** 2 / scale))

    def around(expected: Floats) -> Slopes:
        gap = seen_s - expected
        weight = (FREEDOM + 1) / (scale + gap**2)
        return -0.5 * (FREEDOM + 1) * np.log1p(gap**2 / scale), weight * gap, weight

    return Likelihood(value, around)


def widened(seen_s: Floats, error_s: Floats) -> tuple[Likelihood, ...]:
    """The same with errors of a part of what was seen, smaller and smaller."""
    return tuple(of_delays(seen_s, np.hypot(error_s, part * np.nan_to_num(seen_s))) for part in WIDER)


def of_counts(of: Floats, count: Floats, *, leak: float = 0.0) -> Likelihood:
    """Packets lost or late of those sent, beta-binomial; what is expected is -log(1 - p), which adds up.

    leak: how likely a session does its own thing, which bounds what it can prove alone.
    """
    own = np.clip(count / np.maximum(of, 1.0), 1e-6, 1 - 1e-6)
    best = betaln(count + SIZE * own, of - count + SIZE * (1 - own)) - betaln(SIZE * own, SIZE * (1 - own))

    none = of - count

    def plain(p: Floats) -> Floats:
        return np.asarray(
            TEMPER
            * (betaln(count + SIZE * p, none + SIZE * (1 - p)) - betaln(SIZE * p, SIZE * (1 - p)) - best)
        )

    def leaky(value: Floats) -> Floats:
        return np.asarray(np.logaddexp(np.log1p(-leak) + value, np.log(leak))) if leak else value

    def around(expected: Floats) -> Slopes:
        p = _share(expected)
        a, b = SIZE * p, SIZE * (1 - p)
        value = plain(p)
        slope = TEMPER * SIZE * (digamma(count + a) - digamma(none + b) - digamma(a) + digamma(b)) * (1 - p)
        information = TEMPER * of * (SIZE + 1) / ((SIZE + of) * p * (1 - p)) * (1 - p) ** 2
        if not leak:
            return value, slope, information
        whole = leaky(value)
        share = np.exp(np.log1p(-leak) + value - whole)
        return whole, share * slope, share * information

    return Likelihood(lambda expected: leaky(plain(_share(expected))), around)


def _share(expected: Floats) -> Floats:
    return np.asarray(np.clip(-np.expm1(-expected), 1e-9, 1 - 1e-9))


def fit(
    matrix: Floats,
    budget: Budget,
    likelihood: Likelihood,
    slab: Slab,
    faults: Sequence[tuple[int, ...]],
    *,
    rough: Sequence[Likelihood] = (),
) -> Fit:
    """Fit every hypothesis: `faults` holds, for each, the groups that have one (at most two).

    matrix: (sessions, groups). Levels are positive, so their logarithms are the variables. rough: the
    likelihood with ever smaller errors, where it has several hills.
    """
    groups = matrix.shape[1]
    count = max((len(f) for f in faults), default=0)
    design = np.zeros((len(faults), matrix.shape[0], groups + count))
    design[:, :, :groups] = matrix
    least = np.full((len(faults), count), -np.inf)
    for h, chosen in enumerate(faults):
        for k, g in enumerate(chosen):
            design[h, :, groups + k] = matrix[:, g]
            least[h, k] = np.log(budget.least[g])
    prior = _Prior(budget, slab, least)
    x = np.tile(np.concatenate([budget.mean, np.full(count, np.log(slab.median))]), (len(faults), 1))
    found = _climb(_start(x, design, likelihood, groups), design, likelihood, prior)
    if not rough:
        return found
    expected = np.einsum("hsv,hv->hs", design, np.exp(found.log_value))
    odd = np.flatnonzero((likelihood.value(expected) < UNEXPLAINED).any(axis=1))
    if not odd.size:
        return found
    # A session far off pulls no more than a near one: the way to what explains it leads over wider errors and
    # a prior that holds nothing back.
    part, of_odd = design[odd], prior.of(odd)
    here = _start(x[odd], part, rough[0], groups)
    for wider in rough:
        here = _climb(here, part, wider, of_odd.loosened()).log_value
    return _better(found, _climb(here, part, likelihood, of_odd), odd)


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
        over = np.maximum(np.where(np.isfinite(self.harm), x - self.harm, 0.0), 0.0) / HARM_LOG_SD
        under = np.maximum(np.where(np.isfinite(self.least), self.least - x, 0.0), 0.0) / CUT_SD
        value = -0.5 * (off**2 + over**2 + under**2).sum(axis=1) + self.constant
        slope = -off / sd - over / HARM_LOG_SD + under / CUT_SD
        bend = 1 / sd**2 + (over > 0) / HARM_LOG_SD**2 + (under > 0) / CUT_SD**2
        return value, slope, bend


def _start(x: Floats, design: Floats, likelihood: Likelihood, groups: int) -> Floats:
    """The best of a few sizes of the faults, the rest at its usual values: one hill may hide another."""
    usual = np.einsum("hsv,hv->hs", design[:, :, :groups], np.exp(x[:, :groups]))
    faults = np.einsum("hsv,hv->hs", design[:, :, groups:], np.exp(x[:, groups:]))
    likely = [likelihood.value(usual + np.exp(shift) * faults).sum(axis=1) for shift in SHIFTS]
    started = x.copy()
    started[:, groups:] += np.asarray(SHIFTS)[np.argmax(likely, axis=0)][:, None]
    return started


def _climb(x: Floats, design: Floats, likelihood: Likelihood, prior: _Prior) -> Fit:
    """Damped Newton for all hypotheses side by side; those that have settled are left alone.

    The damping follows how much of the gain that was promised came (Nielsen 1999, "Damping parameter in
    Marquardt's method"; from memory): a step that kept its promise eases it, each refusal in a row stiffens
    it faster.
    """
    hypotheses, _, variables = design.shape
    damping, stiffening = np.full(hypotheses, FIRST_DAMPING), np.full(hypotheses, 2.0)
    here = [x.copy(), *_around(x, design, likelihood, prior)]
    settled = [np.empty_like(each) for each in here[:4]]
    moving = np.arange(hypotheses)
    for left in range(STEPS, 0, -1):
        at, value, gradient, hessian, rest = here
        step = _step(gradient, hessian, rest, damping)
        promised = np.einsum("hv,hv->h", gradient, step) - 0.5 * np.einsum(
            "hv,hvw,hw->h", step, hessian, step
        )
        tried = at + step
        new = (tried, *_around(tried, design, likelihood, prior))
        gain = new[1] - value
        better = gain >= 0
        for mine, its in zip(here, new, strict=True):
            mine[better] = its[better]
        kept = np.clip(gain / np.maximum(promised, 1e-12), 0.0, 1.0)
        eased = np.maximum(damping * np.maximum(0.2, 1 - (2 * kept - 1) ** 3), LEAST_DAMPING)
        damping = np.where(better, eased, damping * stiffening)
        stiffening = np.where(better, 2.0, stiffening * 2.0)
        done = (better & (gain < SETTLED)) | (damping > MOST_DAMPING) | (left == 1)
        if not done.any():
            continue
        for kept_there, mine in zip(settled, here, strict=False):
            kept_there[moving[done]] = mine[done]
        if done.all():
            break
        on = ~done
        moving, damping, stiffening = moving[on], damping[on], stiffening[on]
        here, design, prior = [each[on] for each in here], design[on], prior.of(on)
    log_value, value, _, hessian = settled
    _, logdet = np.linalg.slogdet(hessian)
    variance = np.einsum("hvv->hv", np.linalg.inv(hessian))
    return Fit(
        evidence=value + 0.5 * variables * np.log(2 * np.pi) - 0.5 * logdet,
        log_value=log_value,
        log_error=np.sqrt(np.maximum(variance, 0.0)),
    )


def _around(
    x: Floats, design: Floats, likelihood: Likelihood, prior: _Prior
) -> tuple[Floats, Floats, Floats, Floats]:
    """Log posterior at x, its gradient, and the negative of its Hessian as Gauss and Newton have it.

    At the end what that leaves out, of each variable, where it makes the hill steeper: a level is the
    exponential of its variable, so that the likelihood's slope bends it too. Steps heed it.
    """
    each = design * np.exp(x)[:, None, :]
    value, slope, bend = likelihood.around(each.sum(axis=2))
    at, prior_slope, prior_bend = prior.at(x)
    pull = np.matmul(slope[:, None, :], each)[:, 0, :]
    hessian = np.matmul((each * bend[:, :, None]).transpose(0, 2, 1), each)
    diagonal = np.arange(x.shape[1])
    hessian[:, diagonal, diagonal] += prior_bend
    return value.sum(axis=1) + at, pull + prior_slope, hessian, np.maximum(-pull, 0.0)


def _step(gradient: Floats, hessian: Floats, rest: Floats, damping: Floats) -> Floats:
    damped = hessian.copy()
    diagonal = np.arange(gradient.shape[1])
    damped[:, diagonal, diagonal] *= 1.0 + damping[:, None]
    damped[:, diagonal, diagonal] += rest
    step = np.linalg.solve(damped, gradient[:, :, None])[:, :, 0]
    return np.asarray(np.clip(step, -LARGEST_STEP, LARGEST_STEP))
