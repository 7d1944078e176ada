"""What one direction of an emulated link does to packets: decided per packet, pure, dice passed in."""

import random
from collections.abc import Iterable
from typing import Any

from msgspec import Struct, field
from msgspec.structs import replace

from whichhop.lab.scenario import Effect, FaultWay, LinkNature

NS = 1_000_000_000
HELD_NS = 200_000_000
"""A packet held back for reordering goes out by itself after this, when nothing follows it."""
RETRY_MEAN_S = 0.004
"""Mean wait of a packet that finds the channel busy. Common practice: other stations' frames take 1-5 ms."""
BURST_SHARE = 0.1
"""Share of busy packets that meet a burst of retries rather than one wait."""
AWAY_NS, BACK_NS = 100_000_000, 60_000_000
"""A radio that scans is away for so long on each other channel, and back in between (common practice)."""
AWAKE_NS = 100_000_000
"""So long after a packet a radio stays awake (common practice)."""
FALLEN_BPS = 100_000_000
"""1000BASE-T needs four pairs, 100BASE-TX two (IEEE 802.3 clauses 40 and 25)."""
BURST_S = (0.020, 0.080)
"""Least and most delay of a retry burst; seven retries with growing windows reach about this."""


class ImpairmentSettings(Struct, frozen=True, kw_only=True):
    """One direction's behaviour, everything combined; times in ns, ratios 0..1.

    bursts: (p, r) of each two-state chain at work. rate_bps: a serialising rate inside the relay, with a
    queue of queue_ns; only used where no forwarding node's own queue can set the rate.
    own_delay_ns, own_jitter_ns: more for the sending node's own echo replies, which own_sources tells apart
    by their source addresses (packed, as hex); what the node forwards overtakes them.
    scan_ns: every and for how long a radio looks at other channels. doze_ns: pause between waking beacons.
    """

    delay_ns: int = 0
    jitter_ns: int = 0
    loss_ratio: float = 0.0
    bursts: tuple[tuple[float, float], ...] = ()
    reorder_ratio: float = 0.0
    duplicate_ratio: float = 0.0
    contention_ratio: float = 0.0
    outage: bool = False
    scan_ns: tuple[int, int] | None = None
    doze_ns: int = 0
    rate_bps: int | None = None
    queue_ns: int = NS // 10
    own_delay_ns: int = 0
    own_jitter_ns: int = 0
    own_sources: tuple[str, ...] = ()

    def as_json(self) -> dict[str, object]:
        """Plain data for the relay's control channel."""
        return {name: getattr(self, name) for name in self.__struct_fields__}

    @classmethod
    def from_json(cls, data: dict[str, Any]) -> "ImpairmentSettings":
        """Back from plain data; lists become tuples again."""
        bursts = tuple((float(p), float(r)) for p, r in data.get("bursts", ()))
        scan = data.get("scan_ns")
        return cls(
            **{
                **data,
                "bursts": bursts,
                "scan_ns": None if scan is None else (int(scan[0]), int(scan[1])),
                "own_sources": tuple(data.get("own_sources", ())),
            }
        )


def either(first: float, second: float) -> float:
    """The chance that at least one of two independent things happens."""
    return 1.0 - (1.0 - first) * (1.0 - second)


def lowest(rates: Iterable[int | None]) -> int | None:
    """The smallest rate that is set, None when none is."""
    return min((r for r in rates if r is not None), default=None)


def touches(effect: Effect, way: FaultWay) -> bool:
    """True when an effect acts on packets that go `way`."""
    return effect.way in (FaultWay.BOTH, way)


def rate_of(nature: LinkNature, effects: Iterable[Effect], way: FaultWay) -> int | None:
    """The rate of one direction: the nature's, or less when a fault lowers it."""
    own = nature.rate_up_bps if way is FaultWay.UP and nature.rate_up_bps is not None else nature.rate_bps
    mine = [e for e in effects if touches(e, way)]
    return lowest([own, *(e.rate_bps for e in mine), *(FALLEN_BPS for e in mine if e.broken_pair)])


def combine(nature: LinkNature, effects: Iterable[Effect], way: FaultWay) -> ImpairmentSettings:
    """Nature and faults at once: delays add, survivals multiply, any outage is an outage. Rate left out."""
    out = ImpairmentSettings(
        delay_ns=round(nature.delay_s * NS),
        jitter_ns=round(nature.jitter_s * NS),
        loss_ratio=nature.loss_ratio,
        contention_ratio=nature.contention_ratio,
        queue_ns=round(nature.queue_s * NS),
    )
    for effect in effects:
        if touches(effect, way):
            out = replace(
                out,
                delay_ns=out.delay_ns + round(effect.delay_s * NS),
                jitter_ns=out.jitter_ns + round(effect.jitter_s * NS),
                loss_ratio=either(out.loss_ratio, effect.loss_ratio),
                bursts=out.bursts if effect.burst is None else (*out.bursts, effect.burst),
                reorder_ratio=either(out.reorder_ratio, effect.reorder_ratio),
                duplicate_ratio=either(out.duplicate_ratio, effect.duplicate_ratio),
                contention_ratio=either(out.contention_ratio, effect.contention_ratio),
                outage=out.outage or effect.outage,
                scan_ns=out.scan_ns
                if effect.scan is None
                else (round(effect.scan[0] * NS), round(effect.scan[1] * NS)),
                # The near end dozes: what it sends itself wakes it.
                doze_ns=max(out.doze_ns, round(effect.doze_s * NS) if way is FaultWay.DOWN else 0),
            )
    return out


def reply_source(frame: bytes) -> str | None:
    """The source address, packed, as hex, of an Ethernet frame that is an echo reply; None for any other.

    RFC 894 and RFC 792 (protocol 1, type 0, without IP options); RFC 2464 and RFC 4443 (next header 58,
    type 129, without extension headers).
    """
    if frame[12:15] == b"\x08\x00\x45" and frame[23] == 1 and frame[34] == 0:
        return frame[26:30].hex()
    if frame[12:14] == b"\x86\xdd" and frame[20] == 58 and frame[54] == 129:
        return frame[22:38].hex()
    return None


def _away_ns(now_ns: int, every_ns: int, lasts_ns: int) -> int:
    """How long a packet waits for a radio that may be looking at another channel."""
    into = now_ns % every_ns
    slot = into % (AWAY_NS + BACK_NS)
    return AWAY_NS - slot if into < lasts_ns and slot < AWAY_NS else 0


class Counts(Struct, kw_only=True):
    """The truth of one direction, by packets: every packet taken in is passed or dropped for one reason."""

    taken: int = 0
    passed: int = 0
    lost: int = 0
    lost_burst: int = 0
    lost_outage: int = 0
    lost_queue: int = 0
    duplicated: int = 0
    reordered: int = 0
    refused: int = 0
    """Passed, but then not accepted by the far device: our own trouble, never silently a loss."""

    def as_json(self) -> dict[str, int]:
        """Every count by name."""
        return {name: getattr(self, name) for name in self.__struct_fields__}


class Lane(Struct):
    """One direction of a link at work: state of its chains, its queue and its order."""

    dice: random.Random
    settings: ImpairmentSettings = field(default_factory=ImpairmentSettings)
    counts: Counts = field(default_factory=Counts)
    _bad: list[bool] = field(default_factory=list)
    _free_ns: int = 0
    """When the serialising queue is empty again."""
    _last_ns: int = 0
    """Release of the packet before: jitter widens gaps but keeps order, as queues do."""
    came_ns: int = 0
    """When the newest packet came."""
    back: "Lane | None" = None
    """The link's other direction, whose packets keep a radio awake too."""

    def change(self, settings: ImpairmentSettings) -> None:
        """Behave so from now on; chains that stay keep their state."""
        old = dict(zip(self.settings.bursts, self._bad, strict=False))
        self._bad = [old.get(chain, False) for chain in settings.bursts]
        self.settings = settings

    def fate(self, now_ns: int, size: int) -> int | None:
        """When a packet of `size` bytes that came at `now_ns` goes out, or None when it is lost."""
        s, counts = self.settings, self.counts
        counts.taken += 1
        idle_ns = now_ns - max(self.came_ns, 0 if self.back is None else self.back.came_ns)
        self.came_ns = now_ns
        if s.outage:
            counts.lost_outage += 1
            return None
        if s.loss_ratio and self.dice.random() < s.loss_ratio:
            counts.lost += 1
            return None
        if s.bursts and self._burst_loses():
            counts.lost_burst += 1
            return None
        at = now_ns
        if s.rate_bps is not None:
            start = max(now_ns, self._free_ns)
            if start - now_ns > s.queue_ns:
                counts.lost_queue += 1
                return None
            at = self._free_ns = start + size * 8 * NS // s.rate_bps
        at += s.delay_ns
        if s.jitter_ns:
            at += int(self.dice.expovariate(1.0) * s.jitter_ns)
        if s.contention_ratio and self.dice.random() < s.contention_ratio:
            at += self._busy_ns()
        if s.scan_ns is not None:
            at += _away_ns(now_ns, *s.scan_ns)
        if s.doze_ns and idle_ns > AWAKE_NS:
            at += s.doze_ns - now_ns % s.doze_ns
        at = self._last_ns = max(at, self._last_ns)
        counts.passed += 1
        return at

    def lingers_ns(self, frame: bytes) -> int:
        """How much longer this frame takes if it is an echo reply of the sending node itself, else 0."""
        s = self.settings
        if not s.own_sources or reply_source(frame) not in s.own_sources:
            return 0
        return s.own_delay_ns + int(self.dice.expovariate(1.0) * s.own_jitter_ns)

    def doubles(self) -> bool:
        """True when the packet just passed is to go out twice."""
        if self.settings.duplicate_ratio and self.dice.random() < self.settings.duplicate_ratio:
            self.counts.duplicated += 1
            return True
        return False

    def holds_back(self) -> bool:
        """True when the packet just passed is to wait until the next one has gone."""
        if self.settings.reorder_ratio and self.dice.random() < self.settings.reorder_ratio:
            self.counts.reordered += 1
            return True
        return False

    def _burst_loses(self) -> bool:
        """Step every chain once; a packet that finds any chain bad is lost."""
        lost = False
        for i, (p, r) in enumerate(self.settings.bursts):
            roll = self.dice.random()
            self._bad[i] = roll >= r if self._bad[i] else roll < p
            lost = lost or self._bad[i]
        return lost

    def _busy_ns(self) -> int:
        """Extra delay on a busy channel: one exponential wait, or now and then a burst of retries."""
        if self.dice.random() < BURST_SHARE:
            return int(self.dice.uniform(*BURST_S) * NS)
        return int(self.dice.expovariate(1.0) * RETRY_MEAN_S * NS)
