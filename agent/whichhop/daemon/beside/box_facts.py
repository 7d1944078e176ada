"""What two readings of a box by SNMP say of it and of its hop to the provider's side. Pure."""

from dataclasses import dataclass, field

from whichhop.model.hop_facts import HopFacts
from whichhop.probes.counters_talk import Health
from whichhop.stats.rate import CounterReading, delta
from whichhop.wire.box_mib import TICKS_A_SECOND, TICKS_TOP

_MOST_FRAMES_PER_S = 15e6
"""10 Gbit/s of least frames (84 octets of line each, IEEE 802.3): 32 bits that run faster have restarted."""
_TICKS_LAST_S = TICKS_TOP / TICKS_A_SECOND
_CLOCK_SLACK = 0.02
"""A box's own clock runs this much off ours at most (common practice: far less)."""


@dataclass(slots=True)
class BoxFacts:
    """Feed it readings of one box. agent: who asks. box, far: the hop of its interface; far "" for none.

    itself: whether the box's own figures are told: where an agent runs on it, that one knows them better.
    """

    agent: str
    box: str
    far: str
    itself: bool = True
    _last: tuple[int, Health] | None = None
    _wrapped_s: float = field(default=0.0)

    def add(self, health: Health, at_ns: int, mono_ns: int) -> list[HopFacts]:
        """The facts after a reading, of the box and of its hop, without those that nobody told."""
        before, self._last = self._last, (mono_ns, health)
        seconds = (mono_ns - before[0]) / 1e9 if before else 0.0
        was = before[1] if before and seconds > 0 else None
        restarted = was is not None and self._restarted(was, health, seconds)
        uptime_s = None if health.uptime_s is None else health.uptime_s + self._wrapped_s
        out = []
        if self.itself:
            out.append(
                HopFacts(agent=self.agent, other=self.box, link="", at_ns=at_ns, node_uptime_s=uptime_s)
            )
        if self.far:
            frames, errors, dropped = (
                _sum(was, health, pair, seconds) if was and not restarted else None for pair in _PAIRS
            )
            changed = None
            if was and not restarted and was.last_change is not None and health.last_change is not None:
                changed = float(was.last_change != health.last_change)
            out.append(
                HopFacts(
                    agent=self.agent,
                    other=self.far,
                    link="",
                    at_ns=at_ns,
                    box=self.box,
                    port_speed_bps=health.speed_bps if health.up else None,
                    port_full_duplex=None if health.full_duplex is None else float(health.full_duplex),
                    port_frames=frames,
                    port_errors=errors,
                    port_dropped=dropped,
                    port_carrier_changes=changed,
                )
            )
        return out

    def _restarted(self, was: Health, now: Health, seconds: float) -> bool:
        if was.uptime_s is None or now.uptime_s is None or now.uptime_wraps != was.uptime_wraps:
            self._wrapped_s = 0.0
            return False
        if now.uptime_s >= was.uptime_s:
            return False
        due_s = was.uptime_s + seconds * (1 + _CLOCK_SLACK) + 1
        if now.uptime_wraps and due_s >= _TICKS_LAST_S and now.uptime_s <= due_s - _TICKS_LAST_S:
            self._wrapped_s += _TICKS_LAST_S
            return False
        self._wrapped_s = 0.0
        return True


_PAIRS = ((0, 1), (2, 3), (4, 5))
"""Places in box_mib.COUNTS of frames, errors and discards, received and sent."""


def _sum(was: Health, now: Health, pair: tuple[int, int], seconds: float) -> float | None:
    """Both directions' counts between; None where one is not known or began anew."""
    total = 0
    for place in pair:
        before, after = was.counts[place], now.counts[place]
        if before is None or after is None:
            return None
        readings = (
            CounterReading(at_ns=0, value=before, discontinuity=was.discontinuity),
            CounterReading(at_ns=round(seconds * 1e9), value=after, discontinuity=now.discontinuity),
        )
        amount = delta(*readings, bits=32, most_per_s=_MOST_FRAMES_PER_S).amount
        if amount is None:
            return None
        total += amount
    return float(total)
