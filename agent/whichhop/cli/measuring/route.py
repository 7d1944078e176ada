"""`whichhop route`: the routers on the way to a peer, the provider's first hop, packet sizes and DSCP."""

import argparse
import asyncio
import json
import secrets
import sys
from pathlib import Path

from msgspec import Struct

from whichhop.app.stored.route_trace import with_names_looked_up
from whichhop.cli.text import table
from whichhop.config.check import read_home
from whichhop.errors import DataError
from whichhop.model import Home, Node, NodeKind
from whichhop.model.home import ALLOW_A_TARGET
from whichhop.net.clock import SystemClock, clock_error_ns
from whichhop.probes.path_checks import DscpCheck, check_dscp, check_path_mtu
from whichhop.probes.path_trace import find_route
from whichhop.wire.dscp import DscpFate
from whichhop.wire.ntp64 import ErrorEstimate, estimate_error
from whichhop.wire.path_mtu import PathMtu
from whichhop.wire.trace import Edge, Route, home_networks, provider_edge

EPILOG = """\
example:
  whichhop route alder.yaml harbour --sizes

Run it on a machine of the home, as root or with CAP_NET_RAW. Only peers of the home file are asked. A
router that does not answer is silent, which says nothing about the packets that pass through it.
Exit code 0 when the provider's first hop was found, 1 when it was not.
"""
_DSCP_WORDS = {
    DscpFate.KEPT: "kept",
    DscpFate.BLEACHED: "wiped on the path to the internet: no hop behind that one can prefer calls",
    DscpFate.REMARKED: "changed on the path to the internet",
    DscpFate.UNKNOWN: "not told: the peer runs no reflector that reports the DSCP",
}


class Findings(Struct, frozen=True, kw_only=True):
    """All that was asked and found; None where it was not asked."""

    route: Route
    edge: Edge | None
    names: dict[str, str]
    """Addresses of the home file, with the names of their nodes."""
    mtu: PathMtu | None = None
    dscp: DscpCheck | None = None


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """The verb's arguments."""
    parser.epilog = EPILOG
    parser.add_argument("home", type=Path, metavar="HOME", help="the home file (YAML)")
    parser.add_argument("peer", nargs="?", metavar="PEER", help="a peer of it; the first by default")
    parser.add_argument("--sizes", action="store_true", help="also find the largest packet that passes whole")
    parser.add_argument("--dscp", action="store_true", help="also ask the peer which DSCP arrives")
    parser.add_argument("--json", action="store_true", help="print data instead of tables")


def find_peer(home: Home, name: str | None) -> Node:
    """The peer to ask; DataError when there is none of that name, or none at all."""
    if not home.peers:
        raise DataError(f"the home file names no peer; add the line `{ALLOW_A_TARGET}` to it")
    if name is not None and name not in home.peers:
        raise DataError(f"no peer named {name!r}; there are: {', '.join(home.peers)}")
    return home.nodes[name or home.peers[0]]


def _estimate() -> ErrorEstimate:
    error_ns = clock_error_ns()
    return estimate_error(error_ns, synced=error_ns is not None)


async def find(home: Home, peer: Node, *, sizes: bool, dscp: bool) -> Findings:
    """Ask the network, one thing after the other."""
    address = peer.address or ""
    own = [n for n in home.nodes.values() if n.kind not in (NodeKind.PEER, NodeKind.PROVIDER_EDGE)]
    route = await find_route(address)
    mtu = seen_dscp = None
    if sizes:
        mtu = await check_path_mtu(address, SystemClock(), ident=secrets.randbelow(0x10000))
    if dscp:
        ssid = 1 + secrets.randbelow(0xFFFF)
        seen_dscp = await check_dscp(address, SystemClock(), _estimate, ssid=ssid, port=home.ports.stamp)
    return Findings(
        route=route,
        edge=provider_edge(route, home_networks(n.address for n in own if n.address)),
        names={n.address: n.name for n in home.nodes.values() if n.address},
        mtu=mtu,
        dscp=seen_dscp,
    )


def as_data(found: Findings) -> dict[str, object]:
    """The findings as JSON-ready data; parts that were not asked for are left out."""
    data: dict[str, object] = {
        "target": found.route.target,
        "reached": found.route.reached,
        "hops": [
            {
                "step": hop.ttl,
                "addresses": list(hop.addresses),
                "asked": hop.asked,
                "answered": hop.answered,
                "best_rtt_s": None if hop.best_rtt_ns is None else hop.best_rtt_ns / 1e9,
            }
            for hop in found.route.hops
        ],
        "provider_edge": None
        if found.edge is None
        else {"address": found.edge.address, "step": found.edge.ttl, "certain": found.edge.certain},
    }
    if found.mtu is not None:
        data["path_mtu"] = {"octets": found.mtu.size, "told": found.mtu.told, "sizes": found.mtu.outcomes}
    if found.dscp is not None:
        dscp = found.dscp
        data["dscp"] = {"sent": dscp.sent, "seen": dscp.seen, "fate": dscp.fate}
    return data


def as_text(found: Findings) -> str:
    """The findings as a table and sentences."""
    rows = [
        (
            str(hop.ttl),
            ", ".join(hop.addresses) or "silent",
            ", ".join(found.names[a] for a in hop.addresses if a in found.names) or "-",
            "-" if hop.best_rtt_ns is None else f"{hop.best_rtt_ns / 1e6:.2f} ms",
        )
        for hop in found.route.hops
    ]
    lines = [table(("step", "address", "name", "fastest answer"), rows), ""]
    if not found.route.reached:
        lines.append(f"{found.route.target} itself did not answer.")
    lines.append(_edge_line(found.edge))
    if found.mtu is not None:
        lines.append(_size_line(found.mtu))
    if found.dscp is not None:
        seen = "" if found.dscp.seen is None else f", arrived as {found.dscp.seen}"
        lines.append(f"DSCP {found.dscp.sent}{seen}: {_DSCP_WORDS[found.dscp.fate]}.")
    return "\n".join(lines) + "\n"


def _edge_line(edge: Edge | None) -> str:
    if edge is None:
        return "The provider's first hop was not found: nothing outside the home answered."
    if edge.certain:
        return f"The provider's first hop is {edge.address} (step {edge.ttl})."
    return (
        f"{edge.address} (step {edge.ttl}) is the first that answers outside the home; a silent router "
        "before it may be the provider's first hop."
    )


def _size_line(mtu: PathMtu) -> str:
    if mtu.size is None:
        return "No packet size was answered, so nothing is known of sizes: does the peer answer echo?"
    if mtu.told is not None:
        why = f"; a router named {mtu.told} as its most"
    elif mtu.size < max(mtu.outcomes):
        why = "; larger ones vanish without a word, which breaks connections that rely on being told"
    else:
        why = ""
    return f"Packets of {mtu.size} octets pass whole{why}."


def run(args: argparse.Namespace) -> int:
    """Print what was found."""
    home = with_names_looked_up(read_home(args.home))
    peer = find_peer(home, args.peer)
    sys.stderr.write(f"asking the routers on the way to {peer.name} ({peer.address}) ...\n")
    found = asyncio.run(find(home, peer, sizes=args.sizes, dscp=args.dscp))
    sys.stdout.write(json.dumps(as_data(found), indent=2) + "\n" if args.json else as_text(found))
    return 0 if found.edge is not None else 1
