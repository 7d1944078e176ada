"""How much the home itself sends and receives: at our own interface, or from a router, and how that fares."""

from collections.abc import Callable

import msgspec
from msgspec import Struct, field

from whichhop.daemon.beside.device_watch import DeviceWatch
from whichhop.daemon.beside.modem_watch import reader_of
from whichhop.daemon.children import Children, Command, KeptChild
from whichhop.daemon.job_runner import Troubles
from whichhop.model import Home, Node, Reading
from whichhop.model.hop_facts import HopFacts, readings_of
from whichhop.model.levels_source import CounterSource
from whichhop.net.child import our_module
from whichhop.net.clock import Clock
from whichhop.net.host import Host
from whichhop.outside import typed, whole
from whichhop.probes.device_talk import Count, CountersRequest, CountersSaid, Health
from whichhop.stats.rate import CounterReading, RunningTotal, Step, delta
from whichhop.wire.mibs import TICKS_A_SECOND, TICKS_TOP

_MOST_FRAMES_PER_S = 15e6
"""10 Gbit/s of least frames (84 octets of line each, IEEE 802.3): 32 bits that run faster have restarted."""
_TICKS_LAST_S = TICKS_TOP / TICKS_A_SECOND
_CLOCK_SLACK = 0.02
"""A box's own clock runs this much off ours at most (common practice: far less)."""

EVERY_S = 10.0
"""As often as the comparer's window, so that each window has its own share of own traffic."""
COUNTING = "own-traffic-counts"
"""What is in trouble when no count comes, though the process that reads them runs."""
Totals = Callable[[int, int, int], None]
"""Takes UTC ns, bytes received and bytes sent since counting began."""


class BoxFacts(Struct):
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


class Unwrapping(Struct):
    """Both directions' totals; a width that changes or a count that is lost begins both anew. Pure."""

    received: RunningTotal = field(default_factory=lambda: RunningTotal(bits=64))
    sent: RunningTotal = field(default_factory=lambda: RunningTotal(bits=64))
    _still: tuple[int, int] | None = None

    def add(self, count: Count, mono_ns: int, fallback_bps: float | None) -> tuple[int, int] | None:
        """The totals after a count; None where it says nothing new.

        A device that shows the same numbers again has not counted since: the next new ones then stand for
        the whole time. fallback_bps: the line's plan, for devices that do not tell their speed.
        """
        if count.bits != self.received.bits:
            most = (count.speed_bps or fallback_bps or 0) / 8 or None
            self.received = RunningTotal(bits=count.bits, most_per_s=most)
            self.sent = RunningTotal(bits=count.bits, most_per_s=most)
            self._still = None
        if self._still == (count.received, count.sent):
            return None
        self._still = (count.received, count.sent)
        steps = [
            total.add(CounterReading(at_ns=mono_ns, value=value, discontinuity=count.discontinuity))
            for total, value in ((self.received, count.received), (self.sent, count.sent))
        ]
        if any(step in (Step.RESTARTED, Step.UNKNOWABLE) for step in steps):
            self.received.value = self.sent.value = 0
        return self.received.value, self.sent.value


class OwnTraffic:
    """Counts at an interface of ours, or asks a router; each trouble is told once, and its end."""

    def __init__(
        self,
        host: Host,
        clock: Clock,
        totals: Totals,
        *,
        troubles: Troubles,
        children: Children,
        every_s: float = EVERY_S,
        keep: Callable[[list[Reading]], None] = lambda _: None,
    ) -> None:
        """keep: takes what the router that is asked says of itself and of its hop."""
        self._host, self._clock, self._totals = host, clock, totals
        self._troubles, self._children = troubles, children
        self._every_s, self._keep = every_s, keep
        self._box: BoxFacts | None = None
        self._interface: str | None = None
        self._source: CounterSource | None = None
        self._plan_bps: float | None = None
        self._unwrapping = Unwrapping()
        self._kept: KeptChild | None = None
        self.devices: DeviceWatch | None = None
        """Follows the home with us; tells whose traffic it is, where that is asked for."""

    def follow(
        self,
        *,
        interface: str | None,
        source: CounterSource | None,
        most_bps: float | None,
        box: BoxFacts | None = None,
    ) -> None:
        """Count at this interface and ask this source, of `box`, from now on; None: neither."""
        self._interface, self._plan_bps, self._box = interface, most_bps, box
        if source == self._source:
            return
        self._source = source
        if source is None and self._kept is not None:
            self._kept.end_soon()
            self._kept = None
        elif self._kept is not None:
            self._kept.begin_anew()
        elif source is not None:
            self._kept = self._children.keep("own-traffic", self._command, self._hear)

    def follow_home(self, home: Home, node: Node) -> None:
        """Count at this node's interface, or ask a router's counters if this agent is the nearest."""
        if self.devices is not None:
            self.devices.follow(home, node)
        mine = {n: s for n, s in home.counters.items() if reader_of(home, n) == node.name}
        name, source = next(iter(mine.items()), ("", None))
        far = next((link.far for link in home.links if link.near == name), "")
        box = (
            BoxFacts(agent=node.name, box=name, far=far, itself=not home.nodes[name].agent) if name else None
        )
        self.follow(
            interface=node.wan_interface,
            source=source,
            most_bps=max(home.plan.down_bps, home.plan.up_bps) * 2.0 if home.plan else None,
            box=box,
        )

    def _command(self) -> Command:
        self._unwrapping = Unwrapping()
        assert self._source is not None  # noqa: S101 - the child is kept only while there is one
        request = CountersRequest(source=self._source, every_s=self._every_s)
        return Command(
            argv=our_module("whichhop.probes.counters_child"), given=msgspec.json.encode(request) + b"\n"
        )

    async def turn(self) -> None:
        """Read our own interface, where all of the home's traffic passes through this node."""
        if self._interface is None:
            return
        counters = self._host.counters().get(self._interface)
        if counters is None:
            self._wrong(f"no interface {self._interface!r} here (wan_counters)")
            return
        self._troubles.well(COUNTING, f"interface {self._interface!r} is there again")
        self._totals(self._clock.utc_ns(), counters.rx_bytes, counters.tx_bytes)

    def _hear(self, line: bytes) -> None:
        if self._source is None:
            return
        words = self._source.words
        said = typed(line, words, CountersSaid)
        if said.failed is not None or said.count is None:
            self._wrong(f"{said.failed or words}; asked again soon")
            return
        count = said.count
        for value in (count.received, count.sent):
            whole(value, words, high=2**64 - 1)
        whole(count.bits, words, low=1, high=64)
        try:
            totals = self._unwrapping.add(count, said.mono_ns, self._plan_bps)
        except ValueError as wrong:
            self._wrong(f"{words}: {wrong}; asked again soon")
            return
        self._troubles.well(COUNTING, f"{words}: its counters are read again")
        if count.health is not None and self._box is not None:
            facts = self._box.add(count.health, said.at_ns, said.mono_ns)
            self._keep([reading for one in facts for reading in readings_of(one)])
        if totals is not None:
            self._totals(said.at_ns, *totals)

    def _wrong(self, text: str) -> None:
        self._troubles.wrong(COUNTING, f"{text}; own traffic is not counted until it answers")
