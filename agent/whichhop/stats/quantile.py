"""Quantiles with a stated definition and their count, where a lost packet's delay is infinite."""

from collections.abc import Sequence
from enum import IntEnum

import numpy as np
from msgspec import Struct
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]


class Definition(IntEnum):
    """Sample quantiles by Hyndman and Fan 1996; the number is theirs."""

    INVERSE_EDF = 1
    """The smallest value at or under which a share p lies: RFC 2330 11.3's percentile."""
    AVERAGED_EDF = 2
    """The same, but the mean of two neighbours where the share is met exactly: RFC 2330's median."""
    WEIBULL = 6
    LINEAR = 7
    """Linear between order statistics; what numpy and most tools do unless told otherwise."""
    MEDIAN_UNBIASED = 8


# Where the continuous definitions put p among n order statistics, counted from 1: p (n + b) + a.
_PLACE = {
    Definition.WEIBULL: (0.0, 1.0),
    Definition.LINEAR: (1.0, -1.0),
    Definition.MEDIAN_UNBIASED: (1 / 3, 1 / 3),
}


class Quantiles(Struct, frozen=True, kw_only=True):
    """Values at the asked shares, and how many samples stand behind them.

    count: samples in all; undefined: how many of them were infinite (lost).
    A value is infinite when that share of the packets had no answer, nan when there was no sample.
    """

    definition: Definition
    shares: tuple[float, ...]
    values: tuple[float, ...]
    count: int
    undefined: int


def as_delays(values: ArrayLike) -> Floats:
    """One-dimensional floats, infinite where undefined; a nan is a ValueError, since it is neither."""
    array = np.asarray(values, dtype=np.float64)
    if array.ndim != 1:
        raise ValueError(f"delays have {array.ndim} dimensions; need one")
    if np.isnan(array).any():
        raise ValueError("a delay is nan; a lost packet's delay is infinite, a set-aside packet has none")
    return array


def _finite_blend(low: Floats, high: Floats, weight: Floats) -> Floats:
    """low + weight (high - low), where inf - inf would be nan: any part of an infinite value is infinite."""
    with np.errstate(invalid="ignore"):
        blend = low + weight * (high - low)
    return np.where(weight == 0, low, np.where(np.isinf(high), high, blend))


def _at_places(ordered: Floats, shares: Floats, definition: Definition) -> Floats:
    n = len(ordered)
    if definition in (Definition.INVERSE_EDF, Definition.AVERAGED_EDF):
        # n p a hair above a whole number is that number: 0.35 x 20 is 7.000000000000001 in floats.
        place = shares * n
        whole = np.isclose(place, np.round(place), rtol=0, atol=1e-9)
        rank = np.where(whole, np.round(place), np.ceil(place)).astype(np.int64)
        low = ordered[np.clip(rank - 1, 0, n - 1)]
        if definition is Definition.INVERSE_EDF:
            return low
        high = ordered[np.clip(rank, 0, n - 1)]
        return _finite_blend(low, high, np.where(whole & (rank > 0), 0.5, 0.0))
    a, b = _PLACE[definition]
    place = np.clip(a + shares * (n + b), 1, n) - 1
    low_index = np.floor(place + 1e-12).astype(np.int64)
    weight = np.clip(place - low_index, 0.0, 1.0)
    return _finite_blend(ordered[low_index], ordered[np.minimum(low_index + 1, n - 1)], weight)


def quantiles(
    values: ArrayLike, shares: Sequence[float], definition: Definition = Definition.INVERSE_EDF
) -> Quantiles:
    """Quantiles at `shares` (0 to 1) of samples in any one unit, lost packets being infinite.

    RFC 2681 section 4 keeps undefined values and takes them as infinitely large: dropping them first is
    the classic error. Interpolating toward an infinite value gives infinity, never nan. p = 0 gives the
    minimum (RFC 2330 would say minus infinity). Empty: every value nan, count 0. All lost: infinite.
    One sample: that sample at every share.
    """
    array = as_delays(values)
    wanted = np.asarray(shares, dtype=np.float64)
    if ((wanted < 0) | (wanted > 1)).any():
        raise ValueError(f"shares {list(shares)} must lie between 0 and 1")
    found = _at_places(np.sort(array), wanted, definition) if len(array) else np.full(wanted.shape, np.nan)
    return Quantiles(
        definition=definition,
        shares=tuple(wanted.tolist()),
        values=tuple(found.tolist()),
        count=len(array),
        undefined=int(np.isinf(array).sum()),
    )


def median(values: ArrayLike) -> float:
    """RFC 2330 11.3 and RFC 2681 4.2: the middle value, or the mean of the two middle ones.

    Infinite when half or more are undefined (at an even count, when the upper middle one is); nan if empty.
    """
    return quantiles(values, [0.5], Definition.AVERAGED_EDF).values[0]
