"""The single packets that crossed a hop, with each one's excess over what its session takes in health."""

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
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


@dataclass(frozen=True, slots=True, kw_only=True)
class HopPackets:
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
    parts: list[tuple[Floats, ...]] = []
    for record in records:
        number = numbers.get(record.session)
        if number is None:
            continue
        sent = np.asarray(record.samples.sent_ns, dtype=np.int64)
        fate = np.asarray(record.samples.fate)
        rtt = np.asarray(record.samples.rtt_ns, dtype=np.int64)
        out = np.asarray(record.samples.out_ns, dtype=np.int64)
        keep = (sent >= start_ns) & (sent < end_ns) & (fate < Fate.NOT_SENT)
        lost = fate != Fate.ANSWERED
        with np.errstate(invalid="ignore"):
            excess = np.where(lost | (rtt == ABSENT), np.nan, rtt / NS_PER_S - quiet_s[record.session])
            there = np.where(lost | (out == ABSENT), np.nan, out / NS_PER_S)
        told = ((sent - start_ns) / NS_PER_S, excess, there, lost.astype(float), np.full(sent.size, number))
        parts.append(tuple(column[keep] for column in told))
    if not parts:
        parts = [tuple(np.zeros(0) for _ in range(5))]
    sent_s, excess_s, there_s, lost_f, session = (np.concatenate(c) for c in zip(*parts, strict=True))
    for number in numbers.values():
        mine = (session == number) & np.isfinite(there_s)
        if mine.any():
            # The clocks' disagreement goes with the least; what is left is the wait on the way out.
            there_s[mine] -= np.quantile(there_s[mine], 0.05)
    order = np.argsort(sent_s, kind="stable")[-MOST_PACKETS:]
    return HopPackets(
        start_ns=start_ns,
        seconds=(end_ns - start_ns) / NS_PER_S,
        session=session[order].astype(np.int16),
        sent_s=sent_s[order],
        excess_s=excess_s[order],
        there_s=there_s[order],
        lost=lost_f[order] > 0,
    )
