"""One home as a tree of nodes and links, rooted at the way out; walks a path link by link."""

from collections.abc import Iterator, Mapping
from types import MappingProxyType

from msgspec import Struct, field
from msgspec.structs import replace

from whichhop.model.fleet import Fleet
from whichhop.model.levels_source import CounterSource, LevelsSource
from whichhop.model.links import LinkKind, Medium, NodeKind
from whichhop.model.notices import Notices

PROVIDER_EDGE = "provider-edge"
"""The reserved name of the provider's first hop."""
BEYOND = "beyond"
"""The name of the implied link past the provider's first hop."""

ALLOW_A_TARGET = "targets: {peers: [HOST]}"
"""The line of a home file that is enough for the access line to be measured."""


class Plan(Struct, frozen=True, kw_only=True):
    """What the home pays for, in bits per second."""

    down_bps: int
    up_bps: int


class Service(Struct, frozen=True, kw_only=True):
    """By what the provider finds the line in its own records; each None where the home file does not say.

    product: the plan's name on the bill. modem_model, modem_mac: of the box at the end of the line.
    """

    customer: str | None = None
    account: str | None = None
    address: str | None = None
    product: str | None = None
    modem_model: str | None = None
    modem_mac: str | None = None


class Node(Struct, frozen=True, kw_only=True):
    """A device, or an implied place upstream (the provider edge, a peer)."""

    name: str
    kind: NodeKind
    address: str | None = None
    moves: bool = False
    """True for an agent whose address the home file leaves open: `address` is where it was found last."""
    agent: bool = False
    """True where a whichhop daemon runs."""
    revoked: bool = False
    """True where an agent ran that its owner took out of the home: no place for another, and not probed."""
    stamp: bool = False
    """True where a STAMP reflector answers; always so on agents."""
    host_name: str | None = None
    """On a peer that was written by name: what is looked up for its address, which is None until then."""
    room: str | None = None
    wan_interface: str | None = None
    """On an agent through which all of the home's traffic passes: its interface towards the provider."""
    by_device: bool = False
    """On such an agent: whether it may read whose connections move how much."""
    clients: tuple[str, ...] = ()
    """On a peer: the networks (CIDR) whose STAMP packets its agent answers."""
    tcp_port: int | None = None
    """On a peer where echo is filtered: a TCP port that may be connected to instead."""

    @property
    def has_key(self) -> bool:
        """True when an agent of this home answers here, which knows the home's key."""
        return self.agent or bool(self.clients)


class Link(Struct, frozen=True, kw_only=True):
    """What joins two nodes; `near` is the end further from the provider."""

    name: str
    near: str
    far: str
    kind: LinkKind
    medium: Medium | None = None


class Limits(Struct, frozen=True, kw_only=True):
    """What the probes may cost."""

    daily_transfer_bytes: int = 2_000_000_000
    quiet_hours: tuple[int, int] | None = None
    """Start and end as minutes after local midnight; the end may be before the start."""
    keep_days: int = 90
    """Records older than this are dropped."""
    store_bytes: int = 1_000_000_000
    """The store's content; the oldest hours go when it grows past this."""
    transfers_a_day: int = 0
    """How often a day each transfer of the plan is run by itself; 0: only when somebody asks."""


class Ports(Struct, frozen=True, kw_only=True):
    """Where agents listen; the same in the whole home."""

    api: int = 8620
    stamp: int = 862
    transfer: int = 8621
    tls: int = 8622


class Resolver(Struct, frozen=True, kw_only=True):
    """A name server that the home uses; `place` is the node at which its answers come from."""

    name: str
    address: str
    place: str


class Home(Struct, frozen=True, kw_only=True):
    """A checked home: every link joins two known nodes and the whole is one tree.

    `nodes` holds the implied nodes too: the provider edge when there is an access link, and each peer.
    `links` is ordered as written, the implied beyond link last; a link's name is unique.
    """

    name: str
    plan: Plan | None
    service: Service = field(default_factory=Service)
    nodes: Mapping[str, Node]
    links: tuple[Link, ...]
    peers: tuple[str, ...] = ()
    downloads: tuple[str, ...] = ()
    uploads: tuple[str, ...] = ()
    """URLs that the user may fetch, and that take what is posted to them."""
    resolvers: tuple[Resolver, ...] = ()
    lookup_name: str | None = None
    """The name that resolvers are asked for."""
    authenticated: bool = True
    """True when the home's own agents sign STAMP packets with the home's key (RFC 8762 4.4)."""
    page_open: bool = True
    """True when everybody in the home may read page, metrics and bulletin; else they need its password."""
    announces: bool = False
    """True when agents announce themselves to each other, so that they are found wherever they are."""
    discover_edge: bool = False
    """True when the provider edge's address is to be found by route discovery."""
    limits: Limits = field(default_factory=Limits)
    ports: Ports = field(default_factory=Ports)
    zone: str | None = None
    """Its time zone, an IANA name; None where the machine's own will do."""
    levels: Mapping[str, LevelsSource] = field(default_factory=dict)
    """Per modem, by its node's name, where its levels are read from."""
    counters: Mapping[str, CounterSource] = field(default_factory=dict)
    """By node, counters of the home's own traffic that are read over the network."""
    devices: Mapping[str, str] = field(default_factory=dict)
    """By address, names of devices that are told where own traffic is told by device."""
    notices: Notices | None = None
    """Who is told when a fault begins and ends; None where nobody is."""
    fleet: Fleet | None = None
    """Which server of many homes its agents write to; None where they write nowhere."""

    @property
    def agents(self) -> tuple[Node, ...]:
        """The nodes that run a daemon, in the order written."""
        return tuple(n for n in self.nodes.values() if n.agent)

    @property
    def host_names(self) -> tuple[str, ...]:
        """The host names that peers were written by, in that order."""
        return tuple(dict.fromkeys(n.host_name for n in self.nodes.values() if n.host_name))

    def with_addresses(self, found: Mapping[str, str]) -> "Home":
        """The same home in which peers written by name have the address that was found for it, if any."""
        nodes = {
            name: replace(node, address=found.get(node.host_name)) if node.host_name else node
            for name, node in self.nodes.items()
        }
        return self if nodes == self.nodes else replace(self, nodes=nodes)

    def link(self, name: str) -> Link:
        """The link of that name; KeyError when there is none."""
        for link in self.links:
            if link.name == name:
                return link
        raise KeyError(name)

    def neighbours(self) -> Mapping[str, tuple[tuple[str, Link], ...]]:
        """For each node the nodes it is joined to, with the link between."""
        out: dict[str, list[tuple[str, Link]]] = {name: [] for name in self.nodes}
        for link in self.links:
            # One link stands for everything past the provider's first hop, so it ends at every peer.
            fars = self.peers if link.kind is LinkKind.BEYOND else (link.far,)
            for far in fars:
                out[link.near].append((far, link))
                out[far].append((link.near, link))
        return MappingProxyType({k: tuple(v) for k, v in out.items()})

    def paths(self, start: str) -> "Mapping[str, Path]":
        """The only path of the tree to each node joined to `start`, itself included, nearest first."""
        joined = self.neighbours()
        found = {start: Path(nodes=(start,), links=())}
        for here in (queue := [start]):
            way = found[here]
            for name, link in joined[here]:
                if name not in found:
                    found[name] = Path(nodes=(*way.nodes, name), links=(*way.links, link))
                    queue.append(name)
        return found

    def path(self, start: str, end: str) -> "Path | None":
        """The only path between two nodes of the tree, or None when they are not joined."""
        return self.paths(start).get(end)

    @property
    def root(self) -> str:
        """Where everything leads: the provider edge, or in a home without a line its innermost box.

        Links point outwards, so it is the node that is the near end of none.
        """
        if PROVIDER_EDGE in self.nodes:
            return PROVIDER_EDGE
        nears = {link.near for link in self.links}
        return next(name for name in self.nodes if name not in nears)

    def way_out(self, start: str) -> Iterator[str]:
        """The nodes a packet of `start` meets on its way out, `start` left out."""
        path = self.path(start, self.root)
        if path is not None:
            yield from path.nodes[1:]


class Path(Struct, frozen=True, kw_only=True):
    """The nodes met from one end to the other, both ends included, and the links between them."""

    nodes: tuple[str, ...]
    links: tuple[Link, ...]
