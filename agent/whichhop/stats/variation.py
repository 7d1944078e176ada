"""Delay variation: between neighbours (IPDV, RFC 3393) and above the minimum (PDV, RFC 5481)."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from whichhop.stats.quantile import Definition, Floats, Quantiles, as_delays, quantiles

DEFAULT_SHARES = (0.5, 0.95, 0.99, 0.999)


def ipdv(delays: ArrayLike) -> Floats:
    """RFC 5481 4.1: each delay less its predecessor's, in order sent; nan where either is undefined.

    Any one unit, infinite where lost; same length, the first nan. A constant clock offset cancels, skew
    does not. A lost packet leaves two nan. Empty: empty; one sample: one nan.
    """
    array = as_delays(delays)
    out = np.full(len(array), np.nan)
    with np.errstate(invalid="ignore"):
        steps = np.diff(array)
    out[1:] = np.where(np.isfinite(steps), steps, np.nan)
    return out


def pdv(delays: ArrayLike) -> Floats:
    """RFC 5481 4.2: each delay less the smallest of the sample, in the input's unit; infinite where lost.

    Same length. Empty: empty. All lost: all infinite. One sample: 0. Order does not matter to it.
    """
    array = as_delays(delays)
    answered = array[np.isfinite(array)]
    return array - answered.min() if len(answered) else array.copy()


@dataclass(frozen=True, slots=True, kw_only=True)
class Variation:
    """Both forms of one sample, named apart since "jitter" may mean either; unit of the input.

    count: packets; pairs: neighbours that both arrived, behind every IPDV figure. A figure without
    samples is nan. pdv_quantiles: undefined ones infinite; pdv_range: largest less smallest answered.
    """

    count: int
    pairs: int
    ipdv_mean: float
    ipdv_mean_abs: float
    ipdv_range: float
    pdv_range: float
    pdv_quantiles: Quantiles


def vary(
    delays: ArrayLike,
    shares: Sequence[float] = DEFAULT_SHARES,
    definition: Definition = Definition.INVERSE_EDF,
) -> Variation:
    """RFC 5481's figures of delays in one unit, in order sent, infinite where lost.

    Empty, all lost: every figure nan (PDV quantiles infinite if all lost), pairs 0. One sample: IPDV nan,
    PDV 0. Two neighbours are needed for any IPDV figure.
    """
    array = as_delays(delays)
    steps = ipdv(array)
    steps = steps[~np.isnan(steps)]
    above = pdv(array)
    answered = above[np.isfinite(above)]
    return Variation(
        count=len(array),
        pairs=len(steps),
        ipdv_mean=float(steps.mean()) if len(steps) else np.nan,
        ipdv_mean_abs=float(np.abs(steps).mean()) if len(steps) else np.nan,
        ipdv_range=float(np.ptp(steps)) if len(steps) else np.nan,
        pdv_range=float(np.ptp(answered)) if len(answered) else np.nan,
        pdv_quantiles=quantiles(above, shares, definition),
    )
