"""The process that reads the connections that a router tracks, as long as its daemon lives.

`python -m whichhop.probes.device_child SECONDS INTERFACE` (the one towards the line): every so often a JSON
line comes out: {"devices": {ADDRESS: [DOWN, UP]}} in bit/s, or {"failed": TEXT}; it ends when stdin does.
pyroute2's megabytes stay out of the daemon. No address of the internet leaves this process.
"""

import errno
import os
import select
import sys
from ipaddress import ip_interface
from pathlib import Path

import msgspec

from whichhop.net.clock import SystemClock
from whichhop.probes.device_use import DeviceTally, Flow, flow_of

ACCOUNTING = Path("/proc/sys/net/netfilter/nf_conntrack_acct")
LEAST_BPS = 100_000.0
"""A device below this fills no line; it is not told."""
MOST_TOLD = 8
REST = 10.0
"""It rests so many times as long as a look took: thousands of connections must not load a small box."""


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
