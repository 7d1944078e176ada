"""Given `now`: which sessions are due to send, and when to look again. Phases and dice are passed in."""

from bisect import insort
from collections.abc import Callable, Iterable

from msgspec import Struct, field

from whichhop.model import SessionKey
from whichhop.model.units import NS_PER_S, MonoNs, UtcNs

STEPS, STEP_NS = 48, 1 << 21
"""Each packet is sent up to 0.1 s behind its place on the grid. A strict second always meets what has whole
cycles in it at the same place (RFC 2330 section 11.1.1): 50 or 60 Hz, their half-waves, a beat of other
programs. A spread of 0.1 s tells frequencies 10 Hz apart from each other, so one mains from the other; whole
steps of 2.1 ms cost 0.7 octets a packet in the store, and still fall on four places of a half-wave."""
PLACES = (0, 2, 1, 3)
"""In a second an agent's sessions share so many places, evenly apart from a random first (RFC 3432 asks for a
random start): a wake-up costs more than a packet. One place would be cheapest, but meets a radio that is away
for 0.1 s in a quarter of the cases; four evenly apart meet it more often than starts that are all random.
Sessions that follow each other mostly share links, so they get different places, the first two half a round
apart."""


def spread_ns(interval_ns: int) -> int:
    """How far behind its place on the grid a packet may be sent: never half an interval."""
    return min(STEPS * STEP_NS, interval_ns // 2)


class Schedule(Struct):
    """A stream a session: a fixed grid from a random start (RFC 3432), each packet a little behind its place,
    those of one place together.

    dice: a number in [0, 1) a call. The grid is kept, so that counts are as periodic sending has them. A tick
    that could not be kept, because the machine slept or the loop was held up, is skipped and counted, never
    made up for in a burst: a burst would load the path that it measures.
    """

    dice: Callable[[], float]
    _line: list[tuple[int, int, int, SessionKey]] = field(default_factory=list)
    """When due, its place on the grid, its turn among those added, whose; the next one first. With the turn,
    keys are never compared, which costs as much as all the rest."""
    _turn: dict[SessionKey, int] = field(default_factory=dict)
    _turns: int = 0
    _interval_ns: dict[SessionKey, int] = field(default_factory=dict)
    _step_ns: dict[SessionKey, int] = field(default_factory=dict)
    _drawn: dict[tuple[int, int], int] = field(default_factory=dict)
    """When the packets of one place on the grid, and of one spread, leave together."""
    _begun: int = 0
    _start: float = 0.0
    _second_ns: int = 0
    """When a second of UTC began, by the monotonic clock, as the first session was begun."""
    skipped: dict[SessionKey, int] = field(default_factory=dict)

    def first_ns(self, interval_s: float, now_ns: MonoNs, utc_ns: UtcNs) -> MonoNs:
        """Where the next session's grid begins; a second of UTC gets its one packet wherever it is sent."""
        interval = max(1, round(interval_s * NS_PER_S))
        if not self._begun:
            self._start, self._second_ns = self.dice(), now_ns - utc_ns % NS_PER_S
        place = (self._start + PLACES[self._begun % len(PLACES)]) / len(PLACES)
        self._begun += 1
        within = min(interval, NS_PER_S)
        phase = round(place * (within - spread_ns(interval)))
        phase += int(self.dice() * (interval // within)) * within
        return MonoNs(now_ns + (self._second_ns + phase - now_ns) % interval)

    def add(self, key: SessionKey, *, interval_s: float, first_ns: MonoNs) -> None:
        """Schedule a session's grid from `first_ns` on; ValueError when the session is scheduled already."""
        if key in self._interval_ns:
            raise ValueError(f"{key} is scheduled already")
        self._interval_ns[key] = max(1, round(interval_s * NS_PER_S))
        self._step_ns[key] = spread_ns(self._interval_ns[key]) // STEPS
        self.skipped[key] = 0
        self._turn[key], self._turns = self._turns, self._turns + 1
        insort(self._line, self._item(key, first_ns))

    def _item(self, key: SessionKey, grid_ns: int) -> tuple[int, int, int, SessionKey]:
        step = self._step_ns[key]
        at_ns = self._drawn.get((grid_ns, step))
        if at_ns is None:
            at_ns = self._drawn[grid_ns, step] = grid_ns + int(self.dice() * STEPS) * step
        return at_ns, grid_ns, self._turn[key], key

    def keep_only(self, keys: Iterable[SessionKey]) -> None:
        """Forget every session that is not among `keys`."""
        kept = set(keys)
        self._interval_ns = {k: v for k, v in self._interval_ns.items() if k in kept}
        self.skipped = {k: v for k, v in self.skipped.items() if k in kept}
        self._turn = {k: v for k, v in self._turn.items() if k in kept}
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
            _, grid, _, key = self._line.pop(0)
            interval = self._interval_ns[key]
            behind = (now_ns - grid) // interval
            self.skipped[key] += behind
            # The grid is kept: the next tick is the first on it that lies after now.
            insort(self._line, self._item(key, grid + (behind + 1) * interval))
            out.append(key)
        if len(self._drawn) > 2 * len(self._line) + len(PLACES):
            self._drawn = {place: at_ns for place, at_ns in self._drawn.items() if at_ns > now_ns}
        return out
