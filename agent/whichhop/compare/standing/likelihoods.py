"""How likely what sessions saw is, by what they should have seen: delays, and packets lost or late."""

from collections.abc import Callable
from math import lgamma

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from whichhop.stats.log_beta import log_beta, log_gamma, log_gamma_and_slope

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
WIDER = (0.5, 0.15, 0.04)

Slopes = tuple[Floats, Floats, Floats]


class Likelihood(Struct, frozen=True):
    """From what sessions should have seen (..., sessions) to the log-likelihood; around: with its slope and
    its curvature (>= 0). best: what each session likes best (sessions,), beyond which it falls."""

    best: Floats
    value: Callable[[Floats], Floats]
    around: Callable[[Floats], Slopes]


def of_delays(seen_s: Floats, error_s: Floats) -> Likelihood:
    """Sessions' delays: slower than all that they cross they may be for once, so that errors are Student's;
    quicker nothing can be, and errors are normal. What is not a number is not known."""
    known = np.isfinite(seen_s) & np.isfinite(error_s)
    seen_s, error_s = np.where(known, seen_s, 0.0), np.where(known, error_s, UNKNOWN_S)

    scale = FREEDOM * error_s**2
    # As curved at nothing as Student's, so that the two sides join smoothly.
    normal = (FREEDOM + 1) / scale

    def value(gap: Floats, square: Floats) -> Floats:
        slower = np.log1p(square / scale)
        return np.asarray(-0.5 * np.where(gap < 0, normal * square, (FREEDOM + 1) * slower))

    def around(expected: Floats) -> Slopes:
        gap = seen_s - expected
        square = gap * gap
        weight = np.where(gap < 0, normal, (FREEDOM + 1) / (scale + square))
        return value(gap, square), weight * gap, weight

    def alone(expected: Floats) -> Floats:
        gap = seen_s - expected
        return value(gap, gap * gap)

    return Likelihood(seen_s, alone, around)


def widened(seen_s: Floats, error_s: Floats) -> tuple[Likelihood, ...]:
    """The same with errors of a part of what was seen, smaller and smaller."""
    return tuple(of_delays(seen_s, np.hypot(error_s, part * np.nan_to_num(seen_s))) for part in WIDER)


def of_counts(of: Floats, count: Floats, *, leak: float = 0.0, temper: float = TEMPER) -> Likelihood:
    """Packets lost or late of those sent, beta-binomial; what is expected is -log(1 - p), which adds up.

    leak: how likely a session does its own thing, which bounds what it can prove alone. temper: what a packet
    is worth against an independent one.
    """
    own = np.clip(count / np.maximum(of, 1.0), 1e-6, 1 - 1e-6)
    best = log_beta(count + SIZE * own, of - count + SIZE * (1 - own)) - log_beta(
        SIZE * own, SIZE * (1 - own)
    )

    none = of - count
    rest = lgamma(SIZE) - log_gamma(of + SIZE) - best

    # Arrays here are small, where a call costs more than its work: so one of each function for all.
    def four(p: Floats) -> Floats:
        a, b = SIZE * p, SIZE * (1 - p)
        return np.stack([count + a, none + b, a, b])

    def plain(gammas: Floats) -> Floats:
        lost, kept, of_a, of_b = gammas
        return np.asarray(temper * (lost - of_a + (kept - of_b) + rest))

    def leaky(value: Floats) -> Floats:
        return np.asarray(np.logaddexp(np.log1p(-leak) + value, np.log(leak))) if leak else value

    def around(expected: Floats) -> Slopes:
        p = _share(expected)
        gammas, slopes = log_gamma_and_slope(four(p))
        alone = plain(gammas)
        lost, kept, of_a, of_b = slopes
        slope = temper * SIZE * (lost - kept - of_a + of_b) * (1 - p)
        information = temper * of * (SIZE + 1) / ((SIZE + of) * p * (1 - p)) * (1 - p) ** 2
        if not leak:
            return alone, slope, information
        whole = leaky(alone)
        share = np.exp(np.log1p(-leak) + alone - whole)
        return whole, share * slope, share * information

    return Likelihood(
        -np.log1p(-own), lambda expected: leaky(plain(log_gamma(four(_share(expected))))), around
    )


def _share(expected: Floats) -> Floats:
    return np.asarray(np.clip(-np.expm1(-expected), 1e-9, 1 - 1e-9))
