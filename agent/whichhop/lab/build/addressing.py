"""Addresses of an emulated home: which nodes share a network, what each is called there, and its routes."""

import ipaddress
import itertools
from collections.abc import Mapping

from msgspec import Struct, field

from whichhop.errors import DataError
from whichhop.model import Home, Link, LinkKind, NodeKind

ROUTING = frozenset({NodeKind.ROUTER, NodeKind.GATEWAY, NodeKind.MODEM, NodeKind.PROVIDER_EDGE})
"""Kinds that route between their home side and their way out; every other kind bridges all its links."""

# RFC 5737 blocks for IPv4; RFC 3849 for IPv6. A home whose file states no other addresses fits into them. One
# that does is built with its own: no packet leaves the namespaces, whatever they are called there.
HOME_NET = ipaddress.IPv4Network("192.0.2.0/25")
INNER_NET = ipaddress.IPv4Network("192.0.2.252/30")
UPSTREAM_NETS = (ipaddress.IPv4Network("198.51.100.0/24"), ipaddress.IPv4Network("203.0.113.0/24"))
_V6 = ipaddress.IPv6Network("2001:db8::/32")


class Network(Struct, frozen=True, kw_only=True):
    """Links that one frame can cross without being routed, with each member's addresses there."""

    number: int
    links: tuple[Link, ...]
    net4: ipaddress.IPv4Network
    net6: ipaddress.IPv6Network
    addresses: Mapping[str, tuple[ipaddress.IPv4Address, ipaddress.IPv6Address]]
    link_local: Mapping[str, ipaddress.IPv6Address] = field(default_factory=dict)
    """Of the members that the home file knows by such an address (RFC 4291 2.5.6)."""

    def hardware(self, node: str) -> str:
        """A member's hardware address here: locally administered (IEEE 802), the same in every run."""
        return f"02:00:5e:10:{self.number:02x}:{int(self.addresses[node][0]) & 0xFF:02x}"


class RouteHop(Struct, frozen=True, kw_only=True):
    """A route of one node: to a network, or to everything (None), by a neighbour in a network of its own."""

    to: Network | None
    by: Network
    neighbour: str


class Addressing(Struct, frozen=True, kw_only=True):
    """All networks of a home, nearest the provider last, and each node's routes."""

    networks: tuple[Network, ...]
    routes: Mapping[str, tuple[RouteHop, ...]]

    def of(self, node: str) -> tuple[Network, ...]:
        """The networks a node is in, in the order of `networks`."""
        return tuple(n for n in self.networks if node in n.addresses)

    def on(self, link: Link) -> Network:
        """The network that a link is part of."""
        return next(n for n in self.networks if link in n.links)

    def main4(self, node: str) -> ipaddress.IPv4Address:
        """A node's first IPv4 address."""
        return self.of(node)[0].addresses[node][0]

    def main6(self, node: str) -> ipaddress.IPv6Address:
        """A node's first IPv6 address."""
        return self.of(node)[0].addresses[node][1]


def side(home: Home, node: str, link: Link) -> str:
    """Which of a node's networks a link is in: a routing node has two sides, any other node just one."""
    if home.nodes[node].kind not in ROUTING:
        return "all"
    return "home" if link.far == node else "out"


def _groups(home: Home) -> list[list[Link]]:
    """Links joined through nodes that bridge, in the order written."""
    groups: list[list[Link]] = []
    places: list[set[tuple[str, str]]] = []
    for link in home.links:
        mine = {(n, side(home, n, link)) for n in (link.near, link.far)}
        meeting = [i for i, there in enumerate(places) if mine & there]
        joined = [each for i in meeting for each in groups[i]]
        mine = mine.union(*(places[i] for i in meeting))
        groups = [*(g for i, g in enumerate(groups) if i not in meeting), [*joined, link]]
        places = [*(p for i, p in enumerate(places) if i not in meeting), mine]
    return groups


class _Upstream(Struct, frozen=True):
    """The two networks past the home: where the peers are, and the access line."""

    beyond: ipaddress.IPv4Network
    access: ipaddress.IPv4Network


class _Inside(Struct, frozen=True):
    """The network of the home, and the one between router and modem."""

    home: ipaddress.IPv4Network
    inner: ipaddress.IPv4Network


def _inside(home: Home) -> _Inside:
    """The home's own addresses where it states others than the documentation block's."""
    kinds = (NodeKind.MODEM, NodeKind.PEER, NodeKind.PROVIDER_EDGE)
    mine = [a for kind in NodeKind if kind not in kinds for a in _stated(home, kind)]
    net = HOME_NET
    if any(a not in HOME_NET for a in mine):
        net = ipaddress.IPv4Network((int(mine[0]) & ~0xFF, 24))
    modems = [a for a in _stated(home, NodeKind.MODEM) if a not in INNER_NET]
    if not modems:
        return _Inside(net, INNER_NET)
    inner = ipaddress.IPv4Network((int(modems[0]) & ~3, 30))
    if inner.overlaps(net):
        # Where the home's machines are all in one half, the modem may have an address of the other.
        halves = [half for half in net.subnets() if all(a in half for a in mine) and not half.overlaps(inner)]
        if not halves:
            raise DataError(
                f"the modem's address {modems[0]} lies among the home's own in {net}, where the emulated home"
                " cannot have it; leave it out, or rehearse with one such as 192.0.2.254"
            )
        net = halves[0]
    return _Inside(net, inner)


def _stated(home: Home, kind: NodeKind) -> list[ipaddress.IPv4Address]:
    """The IPv4 addresses that the home file gives to nodes of a kind."""
    stated = [ipaddress.ip_address(n.address) for n in home.nodes.values() if n.kind is kind and n.address]
    return [a for a in stated if isinstance(a, ipaddress.IPv4Address)]


def _upstream(home: Home) -> _Upstream:
    """Chosen so that the peers' and the provider edge's own addresses fit."""
    peers, edges = _stated(home, NodeKind.PEER), _stated(home, NodeKind.PROVIDER_EDGE)
    beyond = next((net for net in UPSTREAM_NETS if any(a in net for a in peers)), UPSTREAM_NETS[0])
    if peers and peers[0] not in beyond:
        beyond = ipaddress.IPv4Network((int(peers[0]) & ~0xFF, 24))
    other = next(net for net in UPSTREAM_NETS if net != beyond)
    if edges and edges[0] not in beyond and edges[0] not in other:
        other = ipaddress.IPv4Network((int(edges[0]) & ~0xFF, 24))
    # An edge may as well be known by its address on the peers' side.
    line = next((a for a in edges if a in other), other.network_address)
    return _Upstream(beyond=beyond, access=ipaddress.IPv4Network((int(line) & ~3, 30)))


def _block(home: Home, links: list[Link], upstream: _Upstream, inside: _Inside) -> ipaddress.IPv4Network:
    """The block for a group of links, by what the links are."""
    kinds = {home.nodes[n].kind for link in links for n in (link.near, link.far)}
    if NodeKind.PEER in kinds:
        return upstream.beyond
    if any(link.kind is LinkKind.ACCESS for link in links):
        return upstream.access
    return inside.inner if kinds <= ROUTING else inside.home


def _number(home: Home, links: list[Link], net: ipaddress.IPv4Network) -> dict[str, ipaddress.IPv4Address]:
    """Each member's address: the home file's where it lies in the network, else the next free one."""
    members = _members(links)
    out: dict[str, ipaddress.IPv4Address] = {}
    for name in members:
        stated = home.nodes[name].address
        if stated is None:
            continue
        address = ipaddress.ip_address(stated)
        if isinstance(address, ipaddress.IPv4Address) and address in net:
            if address in out.values():
                raise DataError(f"{name}: address {stated} is given twice; give each node its own")
            out[name] = address
    free = (a for a in net.hosts() if a not in out.values())
    for name in members:
        if name not in out:
            out[name] = next(free)
    return out


def _stated6(home: Home, name: str) -> ipaddress.IPv6Address | None:
    """A node's own IPv6 address."""
    stated = home.nodes[name].address
    found = ipaddress.ip_address(stated) if stated else None
    return found if isinstance(found, ipaddress.IPv6Address) else None


def _members(links: list[Link]) -> list[str]:
    return list(dict.fromkeys(n for link in links for n in (link.far, link.near)))


def _nets6(home: Home, groups: list[list[Link]]) -> list[ipaddress.IPv6Network]:
    """A /64 for each group: what a member states that is in no other group, else what a routing node states
    for its home side, else one of RFC 3849's block."""
    found: dict[int, ipaddress.IPv6Network] = {}
    for routing in (False, True):
        for number, links in enumerate(groups):
            for name in _members(links):
                own = _stated6(home, name)
                if own is None or own.is_link_local or (home.nodes[name].kind in ROUTING) is not routing:
                    continue
                net = ipaddress.IPv6Network((int(own) >> 64 << 64, 64))
                here = any(name == link.far for link in links)
                if net not in found.values() and (here or not routing):
                    found.setdefault(number, net)
    out = []
    for number in range(len(groups)):
        free = (
            ipaddress.IPv6Network((int(_V6.network_address) + (at << 64), 64))
            for at in itertools.count(number + 1, len(groups))
        )
        out.append(found[number] if number in found else next(n for n in free if n not in found.values()))
    return out


def _number6(
    home: Home, numbered: Mapping[str, ipaddress.IPv4Address], net: ipaddress.IPv6Network
) -> dict[str, ipaddress.IPv6Address]:
    """Each member's IPv6 address: the home file's where it lies in the network, else by its IPv4 number."""
    out: dict[str, ipaddress.IPv6Address] = {}
    for name in numbered:
        own = _stated6(home, name)
        if own is not None and own in net:
            if own in out.values():
                raise DataError(f"{name}: address {own} is given twice; give each node its own")
            out[name] = own
    for name, four in numbered.items():
        at = int(net.network_address) + (int(four) & 0xFF)
        while ipaddress.IPv6Address(at) in out.values():
            at += 0x100
        out.setdefault(name, ipaddress.IPv6Address(at))
    return out


def plan_addresses(home: Home) -> Addressing:
    """Networks, addresses and routes of a home as built; DataError where an address cannot be emulated."""
    networks: list[Network] = []
    upstream, inside = _upstream(home), _inside(home)
    used: set[ipaddress.IPv4Network] = set()
    groups = _groups(home)
    for number, (links, net6) in enumerate(zip(groups, _nets6(home, groups), strict=True), start=1):
        net4 = _block(home, links, upstream, inside)
        if net4 in used:
            raise DataError(
                f"{home.name}: two separate networks would both be {net4}; the emulated home has one home "
                "network, one between router and modem, one access line and one network beyond"
            )
        used.add(net4)
        numbered = _number(home, links, net4)
        sixes = _number6(home, numbered, net6)
        local = {
            name: own
            for name in numbered
            if (own := _stated6(home, name)) is not None
            and own.is_link_local
            and (home.nodes[name].kind not in ROUTING or any(name == link.far for link in links))
        }
        networks.append(
            Network(
                number=number,
                links=tuple(links),
                net4=net4,
                net6=net6,
                addresses={name: (four, sixes[name]) for name, four in numbered.items()},
                link_local=local,
            )
        )
    _refuse_strangers(home, networks)
    top = next((n for n in networks if n.net4 == upstream.beyond), networks[-1])
    return Addressing(
        networks=tuple(networks), routes={n: _routes(home, n, networks, top) for n in home.nodes}
    )


def _refuse_strangers(home: Home, networks: list[Network]) -> None:
    """DataError for a node whose own address fits none of its networks."""
    for node in home.nodes.values():
        mine = [net for net in networks if node.name in net.addresses]
        has = {str(a) for net in mine for a in net.addresses[node.name]}
        has |= {str(net.link_local[node.name]) for net in mine if node.name in net.link_local}
        if node.address and node.address not in has:
            six = ":" in node.address
            nets = " and ".join(str(net.net6 if six else net.net4) for net in mine)
            raise DataError(
                f"{node.name}: address {node.address} is outside {nets}, "
                "which is what the emulated home has there; give it one inside"
            )


def _routes(home: Home, node: str, networks: list[Network], top: Network) -> tuple[RouteHop, ...]:
    """Static routes, one per network elsewhere; the way up is the default, as is a peer's only way.

    The home is a tree, so the way to any member of a network is the way to all.
    """
    out: dict[tuple[int | None, str], RouteHop] = {}
    for net in networks:
        ways = [p for member in net.addresses if (p := home.path(node, member)) is not None]
        if node in net.addresses or not ways:
            continue
        nodes = min((way.nodes for way in ways), key=len)
        # The next routing node on the way is the neighbour; bridges between are not seen by a route.
        neighbour = next(n for n in nodes[1:] if home.nodes[n].kind in ROUTING)
        by = next(n for n in networks if node in n.addresses and neighbour in n.addresses)
        to = None if net is top or home.nodes[node].kind is NodeKind.PEER else net
        out[None if to is None else to.number, neighbour] = RouteHop(to=to, by=by, neighbour=neighbour)
    # What goes the default way anyway needs no route of its own.
    default = next((hop.neighbour for hop in out.values() if hop.to is None), None)
    return tuple(hop for hop in out.values() if hop.to is None or hop.neighbour != default)
