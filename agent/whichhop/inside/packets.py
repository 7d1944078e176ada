"""The single packets that crossed a hop, with each one's excess over what its session takes in health."""

from collections.abc import Callable, Iterable, Mapping, Sequence

import numpy as np
from msgspec import Struct
from msgspec.structs import replace
from numpy.typing import NDArray

from whichhop.model import ABSENT, Fate, Method, Record, SessionKey
from whichhop.model.units import NS_PER_S

Floats = NDArray[np.float64]
RecordsOf = Callable[[Sequence[SessionKey], int, int], Iterable[Record]]
"""Gives the records of some sessions that touch a span, UTC ns."""
UNSTEADY = (Method.LOOKUP, Method.CALL, Method.LOADED)
"""Tell no shape of a hop: lookups wait for others, calls run seldom, those under load are slow on purpose."""
MOST_PACKETS = 60_000
"""The newest so many: an hour of a dozen sessions; more would cost seconds and tell nothing new."""


class HopPackets(Struct, frozen=True, kw_only=True):
    """Packets in the order sent; arrays of one length, seconds.

    start_ns: UTC of second 0. session: a number for each session. sent_s: when sent. excess_s: round trip
    over the session's quiet one, NaN where lost. there_s: the way out over its own least in the span,
    NaN where the method does not tell; both clocks' disagreement is in it. lost: not answered in time.
    """

    start_ns: int
    seconds: float
    session: NDArray[np.int16]
    sent_s: Floats
    excess_s: Floats
    there_s: Floats
    lost: NDArray[np.bool_]

    def within(self, spans_s: Iterable[tuple[float, float]]) -> "HopPackets":
        """Those sent in some stretches that do not overlap; second 0 stays where it is."""
        which, seconds = np.zeros(self.sent_s.size, dtype=bool), 0.0
        for start_s, end_s in spans_s:
            which |= (self.sent_s >= start_s) & (self.sent_s < end_s)
            seconds += max(0.0, min(self.seconds, end_s) - max(0.0, start_s))
        return replace(self._picked(which), seconds=seconds)

    def without(self, spans_s: Mapping[int, Iterable[tuple[float, float]]]) -> "HopPackets":
        """Those not sent in some stretches of their own session; by number of the session, seconds."""
        keep = np.ones(self.sent_s.size, dtype=bool)
        for number, spans in spans_s.items():
            for start_s, end_s in spans:
                keep &= (self.session != number) | (self.sent_s < start_s) | (self.sent_s >= end_s)
        return self._picked(keep)

    def _picked(self, which: NDArray[np.bool_]) -> "HopPackets":
        return HopPackets(
            start_ns=self.start_ns,
            seconds=self.seconds,
            session=self.session[which],
            sent_s=self.sent_s[which],
            excess_s=self.excess_s[which],
            there_s=self.there_s[which],
            lost=self.lost[which],
        )


def packets_of(
    records: Iterable[Record], quiet_s: Mapping[SessionKey, float], start_ns: int, end_ns: int
) -> HopPackets:
    """The packets of some sessions in a span. quiet_s: each one's round trip in health; no others count."""
    numbers = {key: i for i, key in enumerate(quiet_s)}
    told = [r for r in records if r.session in numbers]
    sent, rtt, out = (
        np.concatenate([np.zeros(0, np.int64), *(getattr(r.samples, name) for r in told)], dtype=np.int64)
        for name in ("sent_ns", "rtt_ns", "out_ns")
    )
    fate = np.concatenate([np.zeros(0, np.uint8), *(r.samples.fate for r in told)], dtype=np.uint8)
    counts = np.array([len(r.samples) for r in told], dtype=np.intp)
    session = np.repeat(np.array([numbers[r.session] for r in told], dtype=np.int16), counts)
    keep = (sent >= start_ns) & (sent < end_ns) & (fate < Fate.NOT_SENT)
    sent, fate, rtt, out, session = sent[keep], fate[keep], rtt[keep], out[keep], session[keep]
    quiet = np.array(list(quiet_s.values()))
    lost = fate != Fate.ANSWERED
    excess_s = np.where(lost | (rtt == ABSENT), np.nan, rtt / NS_PER_S - quiet[session])
    there_s = np.where(lost | (out == ABSENT), np.nan, out / NS_PER_S)
    sent_s = (sent - start_ns) / NS_PER_S
    for number in numbers.values():
        mine = (session == number) & np.isfinite(there_s)
        if mine.any():
            # The clocks' disagreement goes with the least; what is left is the wait on the way out.
            there_s[mine] -= np.quantile(there_s[mine], 0.05)
    order = np.argsort(sent_s, kind="stable")[-MOST_PACKETS:]
    return HopPackets(
        start_ns=start_ns,
        seconds=(end_ns - start_ns) / NS_PER_S,
        session=session[order],
        sent_s=sent_s[order],
        excess_s=excess_s[order],
        there_s=there_s[order],
        lost=lost[order],
    )
