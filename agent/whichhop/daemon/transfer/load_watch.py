"""How loaded the line is: the home's own use of it, and the stream of packets beside a transfer. Pure."""

from dataclasses import dataclass, field

from whichhop.daemon.transfer.lease import LeaseUse
from whichhop.model import Method, Sample, SessionKey
from whichhop.model.units import NS_PER_S

FRESH_NS = 45 * NS_PER_S
"""Counts older than this say nothing of now."""

MOST = 20 * 300
"""Samples of one session: five minutes at 20 a second."""


@dataclass(slots=True)
class LoadWatch:
    """A sink for vetted samples; only those of Method.LOADED are kept."""

    _kept: dict[SessionKey, list[Sample]] = field(default_factory=dict)

    def add(self, key: SessionKey, sample: Sample) -> None:
        """One sample."""
        if key.method is Method.LOADED and len(kept := self._kept.setdefault(key, [])) < MOST:
            kept.append(sample)

    def take(self, key: SessionKey) -> list[Sample]:
        """The session's samples in the order sent; they are forgotten here."""
        return sorted(self._kept.pop(key, []), key=lambda s: s.sent_ns)


class LineUse:
    """How fast the home uses its line, from cumulative byte counts. Pure."""

    def __init__(self) -> None:
        self._points: list[tuple[int, float, float]] = []

    def add(self, at_ns: int, received: float, sent: float) -> None:
        """Two counters read together; the last two readings count."""
        self._points = [*self._points[-1:], (at_ns, received, sent)]

    def now(self, now_ns: int) -> LeaseUse:
        """The rates between the last two readings; unknown when they are old or a counter fell."""
        if len(self._points) < 2 or now_ns - self._points[-1][0] > FRESH_NS:
            return LeaseUse()
        (t0, r0, s0), (t1, r1, s1) = self._points
        if t1 <= t0 or r1 < r0 or s1 < s0:
            return LeaseUse()
        seconds = (t1 - t0) / NS_PER_S
        return LeaseUse(down_bps=(r1 - r0) * 8 / seconds, up_bps=(s1 - s0) * 8 / seconds)
