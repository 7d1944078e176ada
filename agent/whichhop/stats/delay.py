"""Delay of a record's packets as arrays, and its variation: RFC 2681, RFC 7679, RFC 3393, RFC 5481."""

import numpy as np
from msgspec import Struct
from numpy.typing import ArrayLike

from whichhop.model.record import ABSENT, Columns
from whichhop.model.sample import Fate
from whichhop.stats.quantile import Floats, as_delays


class DelayArrays(Struct, frozen=True, kw_only=True):
    """The packets of some columns that asked the path, side by side in order sent; ns as floats.

    round_trip_ns, out_ns, back_ns: infinite where undefined, a late answer included (RFC 7680 waiting
    time); `out_ns` and `back_ns` hold the clocks' disagreement, with opposite signs, until it is taken
    out, so only their variation speaks. `has_ways` is False where the method has no far stamp; both
    ways are then all infinite.
    """

    sent_ns: Floats
    round_trip_ns: Floats
    out_ns: Floats
    back_ns: Floats
    has_ways: bool


def delay_arrays(columns: Columns) -> DelayArrays:
    """Turns a record's columns into arrays; set-aside packets are left out, lost ones are infinite.

    Empty columns, or columns with set-aside packets alone, give empty arrays.
    """
    fate = np.asarray(columns.fate)
    asked = fate < Fate.NOT_SENT
    answered = fate[asked] == Fate.ANSWERED
    rtt = np.asarray(columns.rtt_ns)[asked]
    out = np.asarray(columns.out_ns)[asked]
    two_ways = answered & (out != ABSENT)
    return DelayArrays(
        sent_ns=np.asarray(columns.sent_ns)[asked].astype(np.float64),
        round_trip_ns=np.where(answered, rtt, np.inf),
        out_ns=np.where(two_ways, out, np.inf),
        back_ns=np.where(two_ways, rtt - np.where(two_ways, out, 0), np.inf),
        has_ways=bool(two_ways.any()),
    )


class OneWay(Struct, frozen=True, kw_only=True):
    """One-way delays (RFC 7679) and how wrong they may be through the clocks, ns."""

    out_ns: Floats
    back_ns: Floats
    error_ns: int


def one_way(arrays: DelayArrays, *, offset_ns: float | None, clock_error_ns: int | None) -> OneWay | None:
    """One-way delays once both clocks are known; None, withheld, when offset or error is not.

    offset_ns: the far clock less the near one. clock_error_ns: the larger of both ends' stated error
    (RFC 4656 4.1.2). None as well where the method has no far stamp, or nothing was answered.
    """
    if offset_ns is None or clock_error_ns is None or not arrays.has_ways:
        return None
    return OneWay(
        out_ns=arrays.out_ns - offset_ns, back_ns=arrays.back_ns + offset_ns, error_ns=clock_error_ns
    )


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
