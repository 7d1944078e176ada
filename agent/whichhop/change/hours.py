"""A session's history by the hour: packets, loss, quantiles of the round trip, a call's rating."""

from array import array
from collections.abc import Mapping
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from whichhop.model import Columns, Fate, Method, SessionKey
from whichhop.model.units import NS_PER_S
from whichhop.stats.call import judge_call

HOUR_NS = 3600 * NS_PER_S
LEAST_SHARE = 0.5
"""An hour counts when at least half of what the session usually sends was sent; our own choice."""
STRETCH_GAP_NS = 5 * NS_PER_S
"""A pause this long ends one stretch of a call stream: packets are 20 ms apart, stretches minutes."""
LEAST_CALL = 50
"""Packets in a stretch worth rating: one second of speech."""

Int64 = NDArray[np.int64]


@dataclass(frozen=True, slots=True, kw_only=True)
class HourFigures:
    """One hour of one session. Seconds; None without an answer.

    pdv_s: the 95 % quantile less the least (RFC 5481 PDV). rating: a call stream's median R (ITU-T G.107).
    """

    sent: int
    lost: int
    p50_s: float | None = None
    p95_s: float | None = None
    pdv_s: float | None = None
    rating: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class HourTable:
    """A session's hours, by their number since the epoch (UTC)."""

    session: SessionKey
    hours: Mapping[int, HourFigures]

    def whole(self) -> "HourTable":
        """Without hours of which much was not measured."""
        usual = float(np.median([h.sent for h in self.hours.values()])) if self.hours else 0.0
        kept = {n: h for n, h in self.hours.items() if h.sent and h.sent >= LEAST_SHARE * usual}
        return HourTable(session=self.session, hours=kept)


def _rating(sent_ns: Int64, fate: NDArray[np.uint8], rtt_ns: Int64) -> float | None:
    ends = [*(np.flatnonzero(np.diff(sent_ns) > STRETCH_GAP_NS) + 1), len(sent_ns)]
    ratings, start = [], 0
    for end in ends:
        piece = slice(start, int(end))
        start = int(end)
        if piece.stop - piece.start < LEAST_CALL:
            continue
        none = array("q", bytes(8 * (piece.stop - piece.start)))
        columns = Columns(
            sent_ns=array("q", sent_ns[piece].tobytes()),
            fate=array("B", fate[piece].tobytes()),
            rtt_ns=array("q", rtt_ns[piece].tobytes()),
            out_ns=none,
            queue_ns=none,
        )
        rating = judge_call(columns).rating
        if rating is not None:
            ratings.append(rating.r)
    return float(np.median(ratings)) if ratings else None


def hour_table(session: SessionKey, *, sent_ns: Int64, fate: NDArray[np.uint8], rtt_ns: Int64) -> HourTable:
    """The hours of samples in the order sent (arrays of one length, ns), less those set aside."""
    asked = fate < Fate.NOT_SENT
    sent, fates, trips = sent_ns[asked], fate[asked], rtt_ns[asked]
    numbers = sent // HOUR_NS
    starts = np.flatnonzero(np.diff(numbers, prepend=-1))
    hours: dict[int, HourFigures] = {}
    for start, end in pairwise([*starts, len(numbers)]):
        part = slice(int(start), int(end))
        answered = fates[part] == Fate.ANSWERED
        seconds = trips[part][answered] * 1e-9
        middle = upper = spread = None
        if len(seconds):
            middle, upper = (float(q) for q in np.quantile(seconds, (0.5, 0.95)))
            spread = upper - float(seconds.min())
        call = session.method is Method.CALL
        hours[int(numbers[start])] = HourFigures(
            sent=len(answered),
            lost=int(len(answered) - answered.sum()),
            p50_s=middle,
            p95_s=upper,
            pdv_s=spread,
            rating=_rating(sent[part], fates[part], trips[part]) if call else None,
        )
    return HourTable(session=session, hours=hours)
