"""Given `now`: which sessions are due to send, and when to look again. Phases and dice are passed in."""

from bisect import bisect_left, insort
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field

from whichhop.model import SessionKey
from whichhop.model.units import NS_PER_S, MonoNs

STEPS, STEP_NS = 48, 1 << 21
"""Each packet is sent up to 0.1 s behind its place on the grid. A strict second always meets what has whole
cycles in it at the same place (RFC 2330 section 11.1.1): 50 or 60 Hz, their half-waves, a beat of other
programs. A spread of 0.1 s tells frequencies 10 Hz apart from each other, so one mains from the other; whole
steps of 2.1 ms cost 0.7 octets a packet in the store, and still fall on four places of a half-wave."""
NEAR_STEPS = 10
"""A packet for whose place another session's stands within so many steps (21 ms) is sent together with it: a
wake-up costs more than a packet. The other's place is as random, so the spread stays what it is, and two
packets so close tell the same of whatever lasts longer."""


def spread_ns(interval_ns: int) -> int:
    """How far behind its place on the grid a packet may be sent: never half an interval."""
    return min(STEPS * STEP_NS, interval_ns // 2)


@dataclass(slots=True)
class Schedule:
    """A stream a session: a fixed grid from a random start (RFC 3432), each packet a little behind its place.

    dice: a number in [0, 1) a call. The grid is kept, so that counts are as periodic sending has them. A tick
    that could not be kept, because the machine slept or the loop was held up, is skipped and counted, never
    made up for in a burst: a burst would load the path that it measures.
    """

    dice: Callable[[], float]
    _line: list[tuple[int, int, SessionKey]] = field(default_factory=list)
    """When due, its place on the grid, whose; the next one first."""
    _interval_ns: dict[SessionKey, int] = field(default_factory=dict)
    _step_ns: dict[SessionKey, int] = field(default_factory=dict)
    skipped: dict[SessionKey, int] = field(default_factory=dict)

    def add(self, key: SessionKey, *, interval_s: float, first_ns: MonoNs) -> None:
        """Schedule a session's grid from `first_ns` on; ValueError when the session is scheduled already."""
        if key in self._interval_ns:
            raise ValueError(f"{key} is scheduled already")
        self._interval_ns[key] = max(1, round(interval_s * NS_PER_S))
        self._step_ns[key] = spread_ns(self._interval_ns[key]) // STEPS
        self.skipped[key] = 0
        insort(self._line, self._item(key, first_ns))

    def _item(self, key: SessionKey, grid_ns: int) -> tuple[int, int, SessionKey]:
        step, line = self._step_ns[key], self._line
        at_ns = grid_ns + int(self.dice() * STEPS) * step
        near_ns = NEAR_STEPS * step
        found = bisect_left(line, (at_ns - near_ns if at_ns - near_ns > grid_ns else grid_ns,))
        if found < len(line):
            taken_ns = line[found][0]
            if taken_ns <= at_ns + near_ns and taken_ns <= grid_ns + STEPS * step:
                at_ns = taken_ns
        return at_ns, grid_ns, key

    def keep_only(self, keys: Iterable[SessionKey]) -> None:
        """Forget every session that is not among `keys`."""
        kept = set(keys)
        self._interval_ns = {k: v for k, v in self._interval_ns.items() if k in kept}
        self.skipped = {k: v for k, v in self.skipped.items() if k in kept}
        self._line = [item for item in self._line if item[-1] in kept]

    def __contains__(self, key: SessionKey) -> bool:
        return key in self._interval_ns

    def next_ns(self) -> MonoNs | None:
        """When the next packet is due; None with no session."""
        return MonoNs(self._line[0][0]) if self._line else None

    def due(self, now_ns: MonoNs) -> list[SessionKey]:
        """The sessions to send now, each once; they are rescheduled."""
        out: list[SessionKey] = []
        while self._line and self._line[0][0] <= now_ns:
            _, grid, key = self._line.pop(0)
            interval = self._interval_ns[key]
            behind = (now_ns - grid) // interval
            self.skipped[key] += behind
            # The grid is kept: the next tick is the first on it that lies after now.
            insort(self._line, self._item(key, grid + (behind + 1) * interval))
            out.append(key)
        return out
