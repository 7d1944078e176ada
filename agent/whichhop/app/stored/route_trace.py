"""The newest route trace among stored readings: whose routers stand between the home and the target."""

from collections.abc import Callable, Iterable, Sequence
from ipaddress import ip_address

from whichhop.daemon.beside.upstream import chosen
from whichhop.model import PROVIDER_EDGE, Home, NodeKind, Reading
from whichhop.model.dossier import RouteStep, RouteTrace
from whichhop.model.hop_facts import HOP, SILENT
from whichhop.model.units import NS_PER_S
from whichhop.net.surroundings import addresses_of_name
from whichhop.wire.trace import Hop, Route, home_networks, outside_steps

ONE_TRACE_NS = 5 * NS_PER_S
"""Two traces to one target are minutes apart."""


def _parts(reading: Reading) -> tuple[str, int, str] | None:
    """Target, step and address; None for a reading of another kind, or one that nothing of ours wrote."""
    head, _, rest = reading.name.partition(":")
    target, _, tail = rest.partition("/")
    step, _, address = tail.partition("/")
    if head != HOP or not step.isascii() or not step.isdigit() or len(step) > 3:
        return None
    if address != SILENT:
        try:
            ip_address(address)
        except ValueError:
            return None
    return target, int(step), address


def route_trace(readings: Iterable[Reading], home: Home) -> RouteTrace | None:
    """The newest whole trace, to the home's first target that was traced; None where none is kept."""
    found: dict[tuple[str, str], list[tuple[int, int, str, float]]] = {}
    for reading in readings:
        parts = _parts(reading)
        if parts is not None and parts[0] in home.peers:
            target, step, address = parts
            row = (reading.at_ns, step, address, reading.value)
            found.setdefault((reading.agent, target), []).append(row)
    if not found:
        return None
    first = min((target for _, target in found), key=home.peers.index)
    agent, rows = max(((a, r) for (a, t), r in found.items() if t == first), key=lambda p: (max(p[1]), p[0]))
    last_ns = max(rows)[0]
    # The steps of one trace are kept one after the other.
    kept = {
        (step, address): rtt_s for at, step, address, rtt_s in sorted(rows) if last_ns - at < ONE_TRACE_NS
    }
    return _trace(last_ns, agent, first, [(s, a, v) for (s, a), v in sorted(kept.items())], home)


def _trace(
    at_ns: int, agent: str, target: str, rows: Sequence[tuple[int, str, float]], home: Home
) -> RouteTrace:
    steps: dict[int, list[tuple[str, float]]] = {}
    for step, address, rtt_s in rows:
        steps.setdefault(step, []).append((address, rtt_s))
    names = {n.address: n.name for n in home.nodes.values() if n.address}
    own = [n for n in home.nodes.values() if n.kind not in (NodeKind.PEER, NodeKind.PROVIDER_EDGE)]
    hops = []
    told = []
    for step, answers in sorted(steps.items()):
        there = tuple(a for a, _ in answers if a != SILENT)
        fastest = min((rtt for a, rtt in answers if a != SILENT), default=None)
        told.append(
            RouteStep(
                step=step,
                addresses=there,
                best_rtt_s=fastest,
                name=next((names[a] for a in there if a in names), ""),
            )
        )
        hops.append(Hop(ttl=step, addresses=there, asked=1, answered=len(there)))
    goal = home.nodes[target].address
    ways = outside_steps(
        Route(target=goal or "", hops=tuple(hops)), home_networks(n.address for n in own if n.address)
    )
    edge = next((e for e in ways if e.address != goal), None)
    written = home.nodes[PROVIDER_EDGE].address if PROVIDER_EDGE in home.nodes else None
    known = next((s for s in told if written in s.addresses), None) if written else None
    return RouteTrace(
        at_ns=at_ns,
        agent=agent,
        target=target,
        steps=tuple(told),
        first_hop=written or (edge.address if edge else None),
        first_hop_step=known.step if known else edge.ttl if edge and not written else None,
    )


def with_names_looked_up(home: Home, look_up: Callable[[str], list[str]] = addresses_of_name) -> Home:
    """The home with an address for every peer; RemoteError names the one that the resolver does not know."""
    found = {name: chosen(name, look_up(name), home) for name in home.host_names}
    return home.with_addresses(found)
