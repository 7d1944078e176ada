"""Delay variation: between neighbours (IPDV, RFC 3393) and above the minimum (PDV, RFC 5481)."""

import numpy as np
from numpy.typing import ArrayLike

from whichhop.stats.quantile import Floats, as_delays


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
