"""What is ordinary for each session: robust location and scale of its delays, its loss and its bursts."""

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

Floats = NDArray[np.float32]

FLOOR_S = 0.00025
FLOOR_SHARE_50 = 0.015
FLOOR_SHARE_80 = 0.03
"""No scale is under 0.25 ms + 1.5 % of the location (3 % for the 80 % quantile)."""
MAD_TO_SIGMA = 1.4826
"""The median absolute deviation of a normal sample times this estimates sigma (Rousseeuw, Croux 1993)."""
P90_TO_SIGMA = 1.0 / 1.2816
"""Derived: 1.2816 is the normal distribution's 90 % point, so a decile distance times this estimates
sigma."""
FEW_LOSSES = 40
"""So many losses make the past count as much as the prior: a variance from 40 values has a relative
standard error of sqrt(2 / 40) = 22 %. Half or twice of it moved one verdict or none
(tests/suite/results/priors.md)."""
PRIOR_RHO = 0.25
"""Losses come in bursts: beside a lost packet another of its tick is lost one time in four. No source, an
order of size; half or twice of it moved one verdict or none (tests/suite/results/priors.md)."""
PRIOR_TICKS = 12.0
"""Two minutes: a normal sample's sigma then has a relative standard error of 1 / sqrt(2 x 11) = 21 %.
Halved one false verdict came, doubled one went (tests/suite/results/priors.md)."""
USUAL_SLOW, SLOW_PACKETS = 0.006, 500.0
"""What is slow on a healthy radio (`standing.usual` has its source), worth so many packets of a session's own
past: at a wire's share one train of scans would be a fault. No past makes it less for what shows over minutes
only."""
SLOW_RHO = 0.05
"""Slow answers come one by one, not as lost ones do: a radio that looks for others every 8 to 15 s has one of
them in a tick. At the losses' 0.25 ticks without any said nothing for it, and it was named as a fault."""
LEAST_RHO, MOST_RHO = 0.02, 0.6
"""Derived: at 0.02 the beta distribution weighs 49 packets, so that many packets of one tick never count as
as many independent ones; at 0.6 it weighs under one, and a tick loses nearly all or none."""


class Baseline(Struct, frozen=True, kw_only=True):
    """Per session, shape (sessions,): location and scale in seconds, loss ratio and its over-dispersion.

    A session with too short a past has NaN locations and does not speak of delay; of loss it does where it
    was answered in enough ticks: who asks each five seconds has packets to lose, and never a median.
    """

    loc50: Floats
    scale50: Floats
    loc80: Floats
    scale80: Floats
    loss: NDArray[np.float64]
    rho: NDArray[np.float64]
    slow: NDArray[np.float64]
    """Likewise the share of the answered that is slow for its tick, and its over-dispersion."""
    slow_rho: NDArray[np.float64]
    answered: NDArray[np.int64]
    """In how many ticks of the past it was answered."""


def sorted_quantile(ordered: Floats, count: NDArray[np.int64], share: float) -> Floats:
    """The quantile of each column whose first `count` values are sorted and whose rest is NaN."""
    place = share * np.maximum(count - 1, 0)
    low = np.floor(place).astype(np.int64)
    high = np.minimum(low + 1, np.maximum(count - 1, 0))
    column = np.arange(ordered.shape[1])
    low_value, high_value = ordered[low, column], ordered[high, column]
    return np.asarray(low_value + (place - low) * (high_value - low_value), dtype=np.float32)


def robust(values: Floats, floor_share: float | Floats) -> tuple[Floats, Floats, NDArray[np.int64]]:
    """Location, scale and count of each column; NaN values are left out. floor_share: one, or of each column.

    The location is the median; the scale the largest of 1.4826 MAD, the two sides' decile distances as a
    normal sigma, and the floor. A few per cent of contamination moves neither much.
    """
    ordered = np.sort(values, axis=0)
    count = np.isfinite(ordered).sum(axis=0)
    if not ordered.shape[0]:
        nothing = np.full(values.shape[1], np.nan, dtype=np.float32)
        return nothing, nothing.copy(), count
    middle = sorted_quantile(ordered, count, 0.5)
    high = sorted_quantile(ordered, count, 0.9)
    low = sorted_quantile(ordered, count, 0.1)
    spread = sorted_quantile(np.sort(np.abs(values - middle), axis=0), count, 0.5)
    floor = FLOOR_S + floor_share * middle
    scale = np.fmax.reduce(
        [MAD_TO_SIGMA * spread, (high - middle) * P90_TO_SIGMA, (middle - low) * P90_TO_SIGMA, floor]
    )
    return middle, scale.astype(np.float32), count


def overdispersion(sent: NDArray[np.float64], lost: NDArray[np.float64]) -> NDArray[np.float64]:
    """Intra-tick correlation of losses per column by moments, before shrinking; NaN without losses.

    For a beta-binomial count k of n with mean p: var k = n p (1-p) (1 + (n-1) rho).
    """
    ratio = lost.sum(axis=0) / np.maximum(sent.sum(axis=0), 1.0)
    binomial = ratio * (1.0 - ratio)
    seen = ((lost - sent * ratio) ** 2).sum(axis=0)
    with np.errstate(invalid="ignore", divide="ignore"):
        rho = (seen - sent.sum(axis=0) * binomial) / ((sent * (sent - 1.0)).sum(axis=0) * binomial)
    return np.asarray(rho, dtype=np.float64)


def baseline_of(
    q50: Floats,
    q80: Floats,
    sent: NDArray[np.uint16],
    lost: NDArray[np.uint16],
    slow: NDArray[np.uint16],
    *,
    prior_scale: Floats,
    least_ticks: int,
) -> Baseline:
    """The baseline of past ticks, shape (ticks, sessions), from which suspect ones were taken out already.

    Taken out means NaN quantiles and nothing sent. prior_scale, seconds per session: what the scale is
    believed to be while the past is short; it weighs as much as twelve ticks.
    """
    # Both quantiles at once: on a short past the calls cost more than the work.
    width = q50.shape[1]
    floor = np.repeat(np.array([FLOOR_SHARE_50, FLOOR_SHARE_80], dtype=np.float32), width)
    loc, scale, counts = robust(np.concatenate([q50, q80], axis=1), floor)
    (loc50, loc80), (scale50, scale80), count = loc.reshape(2, -1), scale.reshape(2, -1), counts[:width]
    weight = PRIOR_TICKS / (count + PRIOR_TICKS)
    scale50 = np.maximum(scale50, _pooled(scale50, prior_scale, weight))
    scale80 = np.maximum(scale80, _pooled(scale80, np.float32(1.5) * prior_scale, weight))
    short = count < least_ticks
    loc50 = np.where(short, np.nan, loc50).astype(np.float32)
    n, k = sent.astype(np.float64), lost.astype(np.float64)
    loss = (k.sum(axis=0) + 0.5) / (n.sum(axis=0) + 500.0)
    answered, late = n - k, slow.astype(np.float64)
    usual = (late.sum(axis=0) + USUAL_SLOW * SLOW_PACKETS) / (answered.sum(axis=0) + SLOW_PACKETS)
    return Baseline(
        loc50=loc50,
        scale50=scale50,
        loc80=loc80,
        scale80=scale80,
        loss=loss,
        rho=_shrunk_rho(n, k, PRIOR_RHO),
        slow=usual,
        slow_rho=_shrunk_rho(answered, late, SLOW_RHO),
        answered=(sent > lost).sum(axis=0),
    )


def _shrunk_rho(sent: NDArray[np.float64], lost: NDArray[np.float64], prior: float) -> NDArray[np.float64]:
    """Over-dispersion by column, the prior's while there were few."""
    total = lost.sum(axis=0)
    own = np.nan_to_num(np.clip(overdispersion(sent, lost), LEAST_RHO, MOST_RHO), nan=prior)
    return np.asarray((total * own + FEW_LOSSES * prior) / (total + FEW_LOSSES))


def _pooled(scale: Floats, prior: Floats, weight: NDArray[np.floating]) -> Floats:
    return np.sqrt((1.0 - weight) * scale**2 + weight * prior**2).astype(np.float32)
