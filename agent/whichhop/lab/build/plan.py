"""The emulated home as lists of ip, tc and nft lines: pure data, to be read and tested."""

from collections.abc import Iterable, Mapping

from msgspec import Struct
from msgspec.structs import replace

from whichhop.errors import DataError
from whichhop.lab.build.addressing import ROUTING, Addressing, plan_addresses, side
from whichhop.lab.links.elements import Where, as_built, effects_on, find_spot, own_replies, peer_wire
from whichhop.lab.links.impairment import rate_of
from whichhop.lab.scenario import Effect, FaultWay, LinkNature, Scenario
from whichhop.model import Home, Link, LinkKind, Medium

DEVICE_CHARS = 15
"""IFNAMSIZ less its closing zero."""
LEAST_BURST_BYTES = 3_200
"""Two full frames: with less a token bucket passes nothing."""
BUCKETS_S = (0.004, 0.016, 0.064)
"""Depths of a token bucket as time at full rate: the first, so that the rate holds over milliseconds, and a
deeper one only where the machine wakes a queue later than that, so that the link falls short of its rate."""
BRIDGE = "bridge"


class End(Struct, frozen=True, kw_only=True):
    """One end of a link: the node, its device there, and whether it forwards what it sends into it."""

    node: str
    device: str
    forwards: bool


class Wire(Struct, frozen=True, kw_only=True):
    """A link as built: two ends, either with the relay between them or a bare veth pair."""

    link: Link
    near: End
    far: End
    relay: bool

    def sender(self, way: FaultWay) -> End:
        """The end that packets of one direction leave from."""
        return self.near if way is FaultWay.UP else self.far

    def receiver(self, way: FaultWay) -> End:
        """The end that they come to."""
        return self.far if way is FaultWay.UP else self.near


class BuildPlan(Struct, frozen=True, kw_only=True):
    """Everything to be done, in order: wires first, then each node's settings, ip lines and tc lines."""

    home: Home
    """With the implied nodes and wires: see lab/links/elements.py."""
    addressing: Addressing
    wires: Mapping[str, Wire]
    sysctls: Mapping[str, tuple[tuple[str, str], ...]]
    ip_lines: Mapping[str, tuple[str, ...]]
    tc_lines: Mapping[str, tuple[str, ...]]
    bucket_s: float = BUCKETS_S[0]


def beyond_plain(effect: Effect) -> bool:
    """True when an effect is more than a bare wire, a queue and random drop can show."""
    e = effect
    of_radio = e.contention_ratio or e.scan or e.doze_s
    return bool(
        e.delay_s
        or e.jitter_s
        or e.burst
        or e.reorder_ratio
        or e.duplicate_ratio
        or of_radio
        or e.broken_pair
    )


def needs_relay(link: Link, nature: LinkNature, effects: Iterable[Effect]) -> bool:
    """True when a link does what only the relay can show; a cable in the home starts as a wire."""
    natural = bool(nature.delay_s or nature.jitter_s or nature.contention_ratio)
    cable = link.kind is LinkKind.WIRED or link.medium is Medium.ETHERNET
    return not cable or natural or any(beyond_plain(e) for e in effects)


def _devices(home: Home) -> dict[tuple[str, str], str]:
    """(link, node) -> device name: "to-" and the other end, cut to the kernel's length, unique in a node."""
    out: dict[tuple[str, str], str] = {}
    taken: set[tuple[str, str]] = set()
    for link in home.links:
        for node, other in ((link.near, link.far), (link.far, link.near)):
            name, number = f"to-{other}"[:DEVICE_CHARS], 2
            while (node, name) in taken:
                name = f"{f'to-{other}'[: DEVICE_CHARS - 2]}{number:02d}"
                number += 1
            taken.add((node, name))
            out[link.name, node] = name
    return out


def _wires(home: Home, scenario: Scenario, relays: frozenset[str]) -> dict[str, Wire]:
    script = [(find_spot(scenario.home, f.element), f.effect) for f in scenario.faults]
    devices = _devices(home)
    degree = {n: len(j) for n, j in home.neighbours().items()}
    out = {}
    for link in home.links:
        effects = [e for way in (FaultWay.UP, FaultWay.DOWN) for e in effects_on(script, link, way)]
        effects += [e for n in (link.near, link.far) for e in own_replies(script, n)]
        nature = nature_of(scenario, link.name)
        near, far = (
            End(node=n, device=devices[link.name, n], forwards=degree[n] > 1) for n in (link.near, link.far)
        )
        relay = "all" in relays or link.name in relays or needs_relay(link, nature, effects)
        out[link.name] = Wire(link=link, near=near, far=far, relay=relay)
    return out


def nature_of(scenario: Scenario, link: str) -> LinkNature:
    """How a link as built behaves in health; one that the scenario does not speak of is a bare wire."""
    for peer in scenario.home.peers:
        if link == peer_wire(peer):
            link = f"{Where.DESTINATION}:{peer}"
    return scenario.natures.get(link, LinkNature(delay_s=0.0))


def rate_lines(
    device: str, rate_bps: int | None, queue_s: float, *, relay: bool, bucket_s: float = BUCKETS_S[0]
) -> tuple[str, ...]:
    """tc lines that give a device this rate, with a queue of `queue_s` before it; None lifts it."""
    if rate_bps is not None:
        burst = max(LEAST_BURST_BYTES, round(rate_bps / 8 * bucket_s))
        limit = burst + round(rate_bps / 8 * queue_s)
        return (
            f"qdisc replace dev {device} root handle 1: tbf rate {rate_bps}bit burst {burst} limit {limit}",
        )
    # A TAP device gets a plain queue, never one that drops early by itself; a veth pair needs none.
    kind = "pfifo limit 1000" if relay else "noqueue"
    return (f"qdisc replace dev {device} root {kind}",)


def drop_rules(table: str, device: str, chance: float) -> str:
    """An nft file that drops at random what comes in by a device, counting; a chance of 0 takes it away."""
    lines = [f"table netdev {table}", f"delete table netdev {table}"]
    if chance > 0:
        rolled = "" if chance >= 1 else f"numgen random mod 1000000 < {max(1, round(chance * 1_000_000))} "
        lines += [
            f"table netdev {table} {{",
            "  chain arriving {",
            f'    type filter hook ingress device "{device}" priority 0; policy accept;',
            '    counter comment "taken"',
            f'    {rolled}counter drop comment "lost"',
            "  }",
            "}",
        ]
    return "\n".join(lines) + "\n"


def reply_rules(table: str, chance: float) -> str:
    """An nft file that drops a node's own echo replies at random; 0 takes the rules away."""
    lines = [f"table inet {table}", f"delete table inet {table}"]
    if chance > 0:
        rolled = "" if chance >= 1 else f"numgen random mod 1000000 < {max(1, round(chance * 1_000_000))} "
        lines += [
            f"table inet {table} {{",
            "  chain own {",
            "    type filter hook output priority 0; policy accept;",
            f'    icmp type echo-reply {rolled}counter drop comment "lost"',
            f'    icmpv6 type echo-reply {rolled}counter drop comment "lost"',
            "  }",
            "}",
        ]
    return "\n".join(lines) + "\n"


def _sysctls(forwards: bool) -> tuple[tuple[str, str], ...]:
    """Kernel settings of one namespace: routing, no address waiting period, no packets of its own accord."""
    forward = "1" if forwards else "0"
    return (
        ("net/ipv4/ip_forward", forward),
        ("net/ipv6/conf/all/forwarding", forward),
        ("net/ipv6/conf/all/accept_dad", "0"),
        ("net/ipv6/conf/default/accept_dad", "0"),
        ("net/ipv6/conf/default/router_solicitations", "0"),
        ("net/ipv6/conf/default/addr_gen_mode", "1"),
        ("net/ipv4/ping_group_range", "0 2147483647"),
    )


def _ip_lines(home: Home, node: str, addressing: Addressing, wires: Iterable[Wire]) -> tuple[str, ...]:
    """ip lines of one node: devices up, bridge, addresses, fixed neighbours, routes."""
    lines = ["link set dev lo up"]
    sides: dict[str, list[tuple[Wire, End]]] = {}
    for wire in wires:
        for end in (wire.near, wire.far):
            if end.node == node:
                sides.setdefault(side(home, node, wire.link), []).append((wire, end))
    carriers: dict[int, str] = {}
    for name, ends in sides.items():
        net = addressing.on(ends[0][0].link)
        bridge = f"{BRIDGE}-{name}" if len(ends) > 1 else None
        if bridge is not None:
            lines.append(f"link add dev {bridge} type bridge stp_state 0 forward_delay 0 mcast_snooping 0")
        carriers[net.number] = carrier = bridge or ends[0][1].device
        lines += [f"link set dev {end.device} mtu 1500 txqueuelen 2000" for _, end in ends]
        lines += [f"link set dev {end.device} master {bridge}" for _, end in ends if bridge is not None]
        lines.append(f"link set dev {carrier} address {net.hardware(node)}")
        lines += [f"link set dev {end.device} up" for _, end in ends]
        lines += [f"link set dev {bridge} up"] if bridge is not None else []
    for net in addressing.of(node):
        device = carriers[net.number]
        a4, a6 = net.addresses[node]
        lines.append(f"address add {a4}/{net.net4.prefixlen} dev {device}")
        lines.append(f"address add {a6}/{net.net6.prefixlen} dev {device} nodad")
        if node in net.link_local:
            lines.append(f"address add {net.link_local[node]}/64 dev {device} nodad")
        for other, addresses in net.addresses.items():
            if other != node:
                # Fixed neighbours: no frame but the measured ones crosses a link, so counts are exact.
                local = [net.link_local[other]] if other in net.link_local else []
                lines += [
                    f"neighbour replace {o} lladdr {net.hardware(other)} dev {device} nud permanent"
                    for o in (*addresses, *local)
                ]
    for hop in addressing.routes[node]:
        via4, via6 = hop.by.addresses[hop.neighbour]
        lines.append(f"route add {hop.to.net4 if hop.to else '0.0.0.0/0'} via {via4}")
        lines.append(f"route add {hop.to.net6 if hop.to else '::/0'} via {via6}")
    return tuple(lines)


def make_plan(scenario: Scenario, relays: frozenset[str] = frozenset()) -> BuildPlan:
    """The whole plan of a scenario; `relays` names links (or "all") that get the relay though plain wires."""
    home = as_built(scenario.home)
    addressing = plan_addresses(home)
    wires = _wires(home, scenario, relays)
    unknown = sorted(relays - set(wires) - {"all"})
    if unknown:
        raise DataError(f"no link named {', '.join(unknown)}; the links are: {', '.join(wires)}")
    return BuildPlan(
        home=home,
        addressing=addressing,
        wires=wires,
        sysctls={n: _sysctls(node.kind in ROUTING) for n, node in home.nodes.items()},
        ip_lines={n: _ip_lines(home, n, addressing, wires.values()) for n in home.nodes},
        tc_lines=_tc_lines(scenario, home, wires, BUCKETS_S[0]),
    )


def deepened(plan: BuildPlan, scenario: Scenario) -> BuildPlan | None:
    """The plan with the next deeper token buckets; None when they are as deep as they may be."""
    deeper = next((b for b in BUCKETS_S if b > plan.bucket_s), None)
    if deeper is None:
        return None
    lines = _tc_lines(scenario, plan.home, plan.wires, deeper)
    return replace(plan, bucket_s=deeper, tc_lines=lines)


def _tc_lines(
    scenario: Scenario, home: Home, wires: Mapping[str, Wire], bucket_s: float
) -> dict[str, tuple[str, ...]]:
    """tc lines of every node: each link's rate and queue, in both directions."""
    tc: dict[str, tuple[str, ...]] = dict.fromkeys(home.nodes, ())
    for wire in wires.values():
        nature = nature_of(scenario, wire.link.name)
        for way in (FaultWay.UP, FaultWay.DOWN):
            end = wire.sender(way)
            rate = rate_of(nature, (), way) if end.forwards or not wire.relay else None
            if wire.relay or rate is not None:
                tc[end.node] += rate_lines(
                    end.device, rate, nature.queue_s, relay=wire.relay, bucket_s=bucket_s
                )
    return tc
