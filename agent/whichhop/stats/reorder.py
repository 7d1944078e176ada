"""Packet reordering by sequence number in order of arrival: RFC 4737's ratio and extent."""

import bisect
from collections.abc import Iterable
from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class Reordering:
    """What RFC 4737 says of one stream.

    received: distinct packets; copies are counted in `duplicates` and nowhere else (section 3.3 of the
        RFC sets them aside before judging order).
    extents: for each reordered packet, in order of arrival, how many arrivals ago the earliest packet
        with a larger number came (section 4.2); packets.
    """

    received: int
    duplicates: int
    extents: tuple[int, ...]

    @property
    def reordered(self) -> int:
        """Packets that arrived after a packet with a larger number."""
        return len(self.extents)

    @property
    def ratio(self) -> float | None:
        """Section 4.1: reordered of received, 0 to 1; None when nothing arrived."""
        return self.reordered / self.received if self.received else None

    @property
    def largest_extent(self) -> int:
        """The buffer, in packets, that would have put all in order; 0 when none was reordered."""
        return max(self.extents, default=0)


def reordering(sequence: Iterable[int]) -> Reordering:
    """Judges the sequence numbers of packets in order of arrival (RFC 4737 sections 3.3, 4.1, 4.2).

    A packet is reordered when its number is under the next expected one. Lost packets do not appear and
    change nothing. Empty, all lost or one packet: no packet is reordered, and the ratio of nothing is None.
    """
    seen: set[int] = set()
    # Arrivals that raised the largest number so far, ascending: the earliest larger arrival is one of them.
    peaks: list[int] = []
    peak_at: list[int] = []
    extents: list[int] = []
    duplicates = arrival = 0
    for number in sequence:
        if number in seen:
            duplicates += 1
            continue
        seen.add(number)
        if not peaks or number > peaks[-1]:
            peaks.append(number)
            peak_at.append(arrival)
        else:
            extents.append(arrival - peak_at[bisect.bisect_right(peaks, number)])
        arrival += 1
    return Reordering(received=arrival, duplicates=duplicates, extents=tuple(extents))


@dataclass(slots=True)
class OrderWatch:
    """The running form for the daemon: constant memory, so it counts but gives no extents.

    It cannot tell a copy from a late original; feed it each number once. Nothing fed: both counts 0.
    """

    received: int = 0
    reordered: int = 0
    _next: int | None = None

    def update(self, number: int) -> bool:
        """Feeds one arrival; True when it is reordered."""
        self.received += 1
        if self._next is None or number >= self._next:
            self._next = number + 1
            return False
        self.reordered += 1
        return True
