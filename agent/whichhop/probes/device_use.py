"""Which device of the home moves how much through its router, from the connections that it tracks. Pure.

A connection is used for its device's address and its octets alone; nothing of the other end is kept.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from ipaddress import IPv4Network, IPv6Network, ip_address
from typing import Any

from whichhop.model.units import NS_PER_S

Network = IPv4Network | IPv6Network


@dataclass(frozen=True, slots=True, kw_only=True)
class Flow:
    """One connection as the kernel counts it: who began it, where the answer comes from, octets both ways."""

    number: int
    source: str
    answers: str
    there: int
    back: int


def flow_of(message: Any) -> Flow | None:
    """A connection of pyroute2's decoded ctnetlink message; None where it is not counted or not of IP."""
    numbers = [message.get_attr(f"CTA_COUNTERS_{way}") for way in ("ORIG", "REPLY")]
    ends = [_source(message.get_attr(f"CTA_TUPLE_{way}")) for way in ("ORIG", "REPLY")]
    number = message.get_attr("CTA_ID")
    if None in numbers or None in ends or number is None:
        return None
    there, back = (c.get_attr("CTA_COUNTERS_BYTES") or 0 for c in numbers)
    return Flow(number=number, source=str(ends[0]), answers=str(ends[1]), there=there, back=back)


def _source(ends: Any) -> str | None:
    addresses = None if ends is None else ends.get_attr("CTA_TUPLE_IP")
    if addresses is None:
        return None
    found = addresses.get_attr("CTA_IP_V4_SRC") or addresses.get_attr("CTA_IP_V6_SRC")
    return None if found is None else str(found)


@dataclass(slots=True)
class DeviceTally:
    """Adds up what each device sent and received between two looks at the connections.

    lan: the networks inside the home. own: the router's own addresses, whose traffic is its own.
    """

    lan: tuple[Network, ...]
    own: frozenset[str]
    _before: dict[int, tuple[int, int]] = field(default_factory=dict)
    _at_ns: int | None = None

    def look(self, flows: Iterable[Flow], at_ns: int) -> Mapping[str, tuple[float, float]] | None:
        """By a device's address what it received and sent, bit/s; None at the first look.

        What a connection moved between the last look and its end is not seen.
        """
        before, at_before, now = self._before, self._at_ns, dict[int, tuple[int, int]]()
        moved: dict[str, list[int]] = {}
        for flow in flows:
            now[flow.number] = (flow.there, flow.back)
            there, back = before.get(flow.number, (0, 0))
            if flow.there < there or flow.back < back:  # another connection by an old number
                there = back = 0
            device = self._device(flow)
            if device is not None:
                down, up = flow.back - back, flow.there - there
                if device != flow.source:
                    down, up = up, down
                sums = moved.setdefault(device, [0, 0])
                sums[0] += down
                sums[1] += up
        self._before, self._at_ns = now, at_ns
        if at_before is None or at_ns <= at_before:
            return None
        seconds = (at_ns - at_before) / NS_PER_S
        return {name: (8 * down / seconds, 8 * up / seconds) for name, (down, up) in moved.items()}

    def _device(self, flow: Flow) -> str | None:
        """The end that is in the home; None where both are, or neither."""
        inside = [self._inside(flow.source), self._inside(flow.answers)]
        if all(inside):
            return None
        if inside[0]:
            return flow.source
        if inside[1]:
            return flow.answers
        return next((a for a in (flow.source, flow.answers) if a in self.own), None)

    def _inside(self, address: str) -> bool:
        at = ip_address(address)
        return any(at.version == network.version and at in network for network in self.lan)
