"""The process that reads the connections that a router tracks, as long as its daemon lives.

`python -m whichhop.probes.device_child SECONDS INTERFACE` (the one towards the line): every so often a JSON
line comes out: {"devices": {ADDRESS: [DOWN, UP]}} in bit/s, or {"failed": TEXT}; it ends when stdin does.
pyroute2's megabytes stay out of the daemon. No address of the internet leaves this process.

A connection is used for its device's address and its octets alone; nothing of the other end is kept.
"""

import errno
import os
import select
import sys
from collections.abc import Iterable, Mapping
from ipaddress import IPv4Network, IPv6Network, ip_address, ip_interface
from pathlib import Path
from typing import Any

import msgspec
from msgspec import Struct, field

from whichhop.model.units import NS_PER_S
from whichhop.net.clock import SystemClock

Network = IPv4Network | IPv6Network

ACCOUNTING = Path("/proc/sys/net/netfilter/nf_conntrack_acct")
LEAST_BPS = 100_000.0
"""A device below this fills no line; it is not told."""
MOST_TOLD = 8
REST = 10.0
"""It rests so many times as long as a look took: thousands of connections must not load a small box."""


class Flow(Struct, frozen=True, kw_only=True):
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


class DeviceTally(Struct):
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


def trouble() -> str:
    """Why the kernel cannot tell, in a line with the remedy; "" where it can."""
    try:
        counts = ACCOUNTING.read_text().strip() != "0"
    except OSError:
        return "this kernel tracks no connections; load nf_conntrack, or remove by_device"
    if not counts:
        return (
            "the kernel does not count octets by connection; turn it on:"
            " sysctl -w net.netfilter.nf_conntrack_acct=1 (it counts connections that begin from then on)"
        )
    return ""


def _places(interface: str) -> DeviceTally:
    """The networks of all other interfaces are the home's; the addresses of all are the router's own."""
    from pyroute2 import IPRoute  # noqa: PLC0415 - only where connections are read

    lan, own = [], set()
    with IPRoute() as route:
        names = {link["index"]: link.get_attr("IFLA_IFNAME") for link in route.get_links()}
        for row in route.get_addr():
            address = row.get_attr("IFA_LOCAL") or row.get_attr("IFA_ADDRESS")
            place = ip_interface(f"{address}/{row['prefixlen']}")
            own.add(str(place.ip))
            # Every interface has a network of link-local addresses (RFC 4291), which says nothing.
            if names.get(row["index"]) != interface and not place.is_link_local:
                lan.append(place.network)
    return DeviceTally(lan=tuple(lan), own=frozenset(own))


def _flows() -> list[Flow]:
    from pyroute2 import NFCTSocket  # noqa: PLC0415

    with NFCTSocket() as connections:
        return [flow for message in connections.dump() if (flow := flow_of(message)) is not None]


def _words(why: Exception) -> str:
    number = getattr(why, "code", None) or getattr(why, "errno", None)
    if number in (errno.EPERM, errno.EACCES):
        return "connections may not be read; give the agent CAP_NET_ADMIN, or remove by_device"
    name = os.strerror(number) if isinstance(number, int) else type(why).__name__
    return f"connections cannot be read ({name})"


def main() -> int:
    """Look until stdin ends."""
    every_s, interface = float(sys.argv[1]), sys.argv[2]
    clock, tally = SystemClock(), None
    while True:
        begun_ns = clock.mono_ns()
        said: dict[str, object] = {}
        try:
            said = {"failed": why} if (why := trouble()) else {}
            if not said:
                tally = tally or _places(interface)
                begun_ns = clock.mono_ns()  # what loading its library took is no look
                found = tally.look(_flows(), clock.mono_ns())
                if found is not None:
                    much = [(a, rates) for a, rates in found.items() if max(rates) >= LEAST_BPS]
                    busiest = sorted(much, key=lambda one: -max(one[1]))[:MOST_TOLD]
                    said = {"devices": {address: list(rates) for address, rates in busiest}}
        except Exception as why:  # noqa: BLE001 - whatever the kernel or its library does, we go on
            said, tally = {"failed": _words(why)}, None
        if said:
            sys.stdout.write(msgspec.json.encode(said).decode() + "\n")
            sys.stdout.flush()
        took_s = (clock.mono_ns() - begun_ns) / 1e9
        if select.select([sys.stdin], [], [], max(every_s, REST * took_s))[0]:
            return 0


if __name__ == "__main__":
    raise SystemExit(main())
