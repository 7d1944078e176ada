"""How likely what sessions saw is, by what they should have seen: delays, and packets lost or late."""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from whichhop.stats.log_beta import digamma, log_beta

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


@dataclass(frozen=True, slots=True)
class Likelihood:
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

    def value(gap: Floats) -> Floats:
        slower = -0.5 * (FREEDOM + 1) * np.log1p(gap**2 / scale)
        return np.asarray(np.where(gap < 0, -0.5 * normal * gap**2, slower))

    def around(expected: Floats) -> Slopes:
        gap = seen_s - expected
        weight = np.where(gap < 0, normal, (FREEDOM + 1) / (scale + gap**2))
        return value(gap), weight * gap, weight

    return Likelihood(seen_s, lambda expected: value(seen_s - expected), around)


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

    # Arrays here are small, where a call costs more than its work: so one of each function for all.
    def plain(p: Floats) -> Floats:
        a, b = SIZE * p, SIZE * (1 - p)
        seen, prior = log_beta(np.stack([count + a, a]), np.stack([none + b, b]))
        return np.asarray(temper * (seen - prior - best))

    def leaky(value: Floats) -> Floats:
        return np.asarray(np.logaddexp(np.log1p(-leak) + value, np.log(leak))) if leak else value

    def around(expected: Floats) -> Slopes:
        p = _share(expected)
        a, b = SIZE * p, SIZE * (1 - p)
        value = plain(p)
        lost, kept, of_a, of_b = digamma(np.stack([count + a, none + b, a, b]))
        slope = temper * SIZE * (lost - kept - of_a + of_b) * (1 - p)
        information = temper * of * (SIZE + 1) / ((SIZE + of) * p * (1 - p)) * (1 - p) ** 2
        if not leak:
            return value, slope, information
        whole = leaky(value)
        share = np.exp(np.log1p(-leak) + value - whole)
        return whole, share * slope, share * information

    return Likelihood(-np.log1p(-own), lambda expected: leaky(plain(_share(expected))), around)


def _share(expected: Floats) -> Floats:
    return np.asarray(np.clip(-np.expm1(-expected), 1e-9, 1 - 1e-9))
