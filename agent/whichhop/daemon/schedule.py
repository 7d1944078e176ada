"""Given `now`: which sessions are due to send, and when to look again. Pure: phases are passed in."""

import heapq
from collections.abc import Iterable
from dataclasses import dataclass, field

from whichhop.model import SessionKey
from whichhop.model.units import NS_PER_S, MonoNs


@dataclass(slots=True)
class Schedule:
    """A periodic stream a session (RFC 3432): a fixed interval from a start inside the first interval.

    A tick that could not be kept, because the machine slept or the loop was held up, is skipped and counted,
    never made up for in a burst: a burst would load the path that it measures.
    """

    _heap: list[tuple[int, SessionKey]] = field(default_factory=list)
    _interval_ns: dict[SessionKey, int] = field(default_factory=dict)
    skipped: dict[SessionKey, int] = field(default_factory=dict)

    def add(self, key: SessionKey, *, interval_s: float, first_ns: MonoNs) -> None:
        """Schedule a session's first packet; ValueError when the session is scheduled already."""
        if key in self._interval_ns:
            raise ValueError(f"{key} is scheduled already")
        self._interval_ns[key] = max(1, round(interval_s * NS_PER_S))
        self.skipped[key] = 0
        heapq.heappush(self._heap, (first_ns, key))

    def keep_only(self, keys: Iterable[SessionKey]) -> None:
        """Forget every session that is not among `keys`."""
        kept = set(keys)
        self._interval_ns = {k: v for k, v in self._interval_ns.items() if k in kept}
        self.skipped = {k: v for k, v in self.skipped.items() if k in kept}
        self._heap = [item for item in self._heap if item[1] in kept]
        heapq.heapify(self._heap)

    def __contains__(self, key: SessionKey) -> bool:
        return key in self._interval_ns

    def next_ns(self) -> MonoNs | None:
        """When the next packet is due; None with no session."""
        return MonoNs(self._heap[0][0]) if self._heap else None

    def due(self, now_ns: MonoNs) -> list[tuple[SessionKey, MonoNs]]:
        """The sessions to send now, each once and with the instant it was due; they are rescheduled."""
        out: list[tuple[SessionKey, MonoNs]] = []
        while self._heap and self._heap[0][0] <= now_ns:
            at, key = self._heap[0]
            interval = self._interval_ns[key]
            behind = (now_ns - at) // interval
            self.skipped[key] += behind
            # The grid is kept: the next tick is the first on it that lies after now.
            heapq.heapreplace(self._heap, (at + (behind + 1) * interval, key))
            out.append((key, MonoNs(at + behind * interval)))
        return out
