"""Homes on paper: the typical ones by name, and random ones up to a given size."""

from collections import Counter
from collections.abc import Callable

import numpy as np
from msgspec import Struct, field
from msgspec.structs import replace

from whichhop.lab.scenario import LinkNature
from whichhop.model import (
    BEYOND,
    PROVIDER_EDGE,
    Home,
    Link,
    LinkKind,
    Medium,
    Method,
    Node,
    NodeKind,
    Plan,
    Resolver,
    derive_sessions,
)

MS = 1e-3

# One-way delay of a link in health, lowest and highest, seconds; from memory, common practice.
DELAY_S: dict[Medium, tuple[float, float]] = {
    Medium.RADIO: (0.6 * MS, 1.6 * MS),
    Medium.ETHERNET: (0.05 * MS, 0.15 * MS),
    Medium.COAX: (1.5 * MS, 2.2 * MS),
    Medium.POWER_LINE: (1.2 * MS, 3.0 * MS),
    Medium.CABLE: (3.5 * MS, 7.0 * MS),
    Medium.FIBRE: (0.8 * MS, 2.0 * MS),
    Medium.DSL: (5.0 * MS, 12.0 * MS),
    Medium.FIXED_WIRELESS: (9.0 * MS, 18.0 * MS),
    Medium.SATELLITE: (250.0 * MS, 280.0 * MS),
}
# Plan (down, up) in Mbit/s and depth of the queue in seconds, lowest and highest; common practice.
ACCESS: dict[Medium, tuple[tuple[int, int], tuple[float, float]]] = {
    Medium.CABLE: ((500, 40), (0.08, 0.35)),
    Medium.FIBRE: ((1000, 500), (0.02, 0.06)),
    Medium.DSL: ((50, 10), (0.10, 0.40)),
    Medium.FIXED_WIRELESS: ((100, 20), (0.10, 0.40)),
    Medium.SATELLITE: ((50, 5), (0.20, 0.60)),
}


class PaperHome(Struct, frozen=True, kw_only=True):
    """A home with the natures of its links."""

    home: Home
    natures: dict[str, LinkNature]


class _Builder(Struct):
    """Collects nodes and links; gives each a documentation address (RFC 5737) and a drawn nature."""

    rng: np.random.Generator
    nodes: dict[str, Node] = field(default_factory=dict)
    links: list[Link] = field(default_factory=list)
    natures: dict[str, LinkNature] = field(default_factory=dict)
    last: int = 0

    def node(self, name: str, kind: NodeKind, *, agent: bool = False, mute: bool = False) -> str:
        self.last += 1
        address = None if mute else f"192.0.2.{self.last}"
        self.nodes[name] = Node(name=name, kind=kind, address=address, agent=agent, stamp=agent)
        return name

    def join(self, near: str, far: str, kind: LinkKind, medium: Medium) -> None:
        name = f"{near}/{far}"
        self.links.append(Link(name=name, near=near, far=far, kind=kind, medium=medium))
        self.natures[name] = LinkNature(delay_s=float(self.rng.uniform(*DELAY_S[medium])))

    def host(self, name: str, far: str, *, radio: bool = True, agent: bool = True) -> None:
        self.node(name, NodeKind.HOST, agent=agent)
        kind, medium = (LinkKind.WIRELESS, Medium.RADIO) if radio else (LinkKind.WIRED, Medium.ETHERNET)
        self.join(name, far, kind, medium)

    def finish(self, title: str, way_out: str, access: Medium, peers: int) -> PaperHome:
        """Add the access line, the provider edge and the peers."""
        (down, up), queue = ACCESS[access]
        edge = Node(name=PROVIDER_EDGE, kind=NodeKind.PROVIDER_EDGE, address="198.51.100.1")
        self.nodes[PROVIDER_EDGE] = edge
        self.join(way_out, PROVIDER_EDGE, LinkKind.ACCESS, access)
        name = self.links[-1].name
        self.natures[name] = LinkNature(
            delay_s=self.natures[name].delay_s,
            rate_bps=up * 1_000_000,
            queue_s=float(self.rng.uniform(*queue)),
        )
        names = ("harbour", "lighthouse", "mill", "ferry")[:peers]
        for i, peer in enumerate(names):
            self.nodes[peer] = Node(name=peer, kind=NodeKind.PEER, address=f"203.0.113.{i + 1}", stamp=i == 0)
            self.natures[f"destination:{peer}"] = LinkNature(delay_s=float(self.rng.uniform(2 * MS, 20 * MS)))
        self.links.append(Link(name=BEYOND, near=PROVIDER_EDGE, far=BEYOND, kind=LinkKind.BEYOND))
        inside = next(n for n, node in self.nodes.items() if node.kind in (NodeKind.ROUTER, NodeKind.GATEWAY))
        place = inside if self.rng.random() < 0.6 else PROVIDER_EDGE
        address = self.nodes[inside].address if place == inside else "198.51.100.53"
        home = Home(
            name=title,
            plan=Plan(down_bps=down * 1_000_000, up_bps=up * 1_000_000),
            nodes=self.nodes,
            links=tuple(self.links),
            peers=names,
            resolvers=(Resolver(name="resolver", address=address or "", place=place),),
        )
        return PaperHome(home=home, natures=self.natures)


def _all_in_one(b: _Builder) -> PaperHome:
    b.node("gateway", NodeKind.GATEWAY)
    b.host("desk", "gateway")
    b.host("kitchen", "gateway")
    b.host("study", "gateway", radio=False)
    return b.finish("all-in-one gateway", "gateway", Medium.CABLE, 2)


def _radio_mesh(b: _Builder) -> PaperHome:
    b.node("modem", NodeKind.MODEM, mute=True)
    b.node("router", NodeKind.ROUTER)
    b.node("attic", NodeKind.MESH_NODE, agent=True)
    b.node("garden", NodeKind.MESH_NODE)
    b.host("desk", "attic")
    b.host("bedroom", "attic")
    b.host("porch", "garden")
    b.host("study", "router", radio=False)
    b.join("attic", "router", LinkKind.BACKHAUL, Medium.RADIO)
    b.join("garden", "router", LinkKind.BACKHAUL, Medium.RADIO)
    b.join("router", "modem", LinkKind.WIRED, Medium.ETHERNET)
    return b.finish("modem, router and radio mesh", "modem", Medium.CABLE, 2)


def _ethernet_chain(b: _Builder) -> PaperHome:
    b.node("modem", NodeKind.MODEM)
    b.node("router", NodeKind.ROUTER, agent=True)
    b.node("landing", NodeKind.MESH_NODE)
    b.node("attic", NodeKind.MESH_NODE, agent=True)
    b.host("desk", "attic")
    b.host("kitchen", "landing")
    b.host("hall", "landing")
    b.join("attic", "landing", LinkKind.BACKHAUL, Medium.ETHERNET)
    b.join("landing", "router", LinkKind.BACKHAUL, Medium.ETHERNET)
    b.join("router", "modem", LinkKind.WIRED, Medium.ETHERNET)
    return b.finish("Ethernet mesh chain", "modem", Medium.DSL, 2)


def _power_line(b: _Builder) -> PaperHome:
    b.node("router", NodeKind.ROUTER)
    b.node("cellar", NodeKind.ACCESS_POINT)
    b.node("attic", NodeKind.ACCESS_POINT)
    b.host("desk", "attic")
    b.host("bedroom", "attic")
    b.host("workshop", "cellar")
    b.host("study", "router", radio=False)
    b.join("attic", "router", LinkKind.BACKHAUL, Medium.COAX)
    b.join("cellar", "router", LinkKind.BACKHAUL, Medium.POWER_LINE)
    return b.finish("power-line and coax backhaul", "router", Medium.FIXED_WIRELESS, 2)


def _flat(b: _Builder) -> PaperHome:
    b.node("router", NodeKind.ROUTER)
    b.node("ceiling", NodeKind.ACCESS_POINT)
    b.host("desk", "ceiling")
    b.host("sofa", "ceiling")
    b.join("ceiling", "router", LinkKind.WIRED, Medium.ETHERNET)
    return b.finish("flat on fibre, one access point", "router", Medium.FIBRE, 2)


TYPICAL: dict[str, Callable[[_Builder], PaperHome]] = {
    "all-in-one": _all_in_one,
    "radio-mesh": _radio_mesh,
    "ethernet-chain": _ethernet_chain,
    "power-line": _power_line,
    "flat": _flat,
}


def typical(name: str, rng: np.random.Generator) -> PaperHome:
    """One of the TYPICAL homes with natures drawn from `rng`; KeyError for another name."""
    return TYPICAL[name](_Builder(rng))


def random_home(
    rng: np.random.Generator, *, max_links: int = 20, max_agents: int = 10, max_targets: int = 12
) -> PaperHome:
    """A home of random shape.

    max_links counts the home's links and the access line; max_targets bounds the sessions of one agent.
    """
    b = _Builder(rng)
    b.node("router", NodeKind.ROUTER, agent=bool(rng.random() < 0.3))
    way_out = "router"
    if rng.random() < 0.5:
        b.node("modem", NodeKind.MODEM, mute=bool(rng.random() < 0.5))
        b.join("router", "modem", LinkKind.WIRED, Medium.ETHERNET)
        way_out = "modem"
    peers = int(rng.integers(2, 4))
    boxes = ["router"]
    for i in range(int(rng.integers(0, 5))):
        name = f"node{i + 1}"
        far = boxes[int(rng.integers(0, len(boxes)))]
        agents = sum(n.agent for n in b.nodes.values())
        b.node(name, NodeKind.MESH_NODE, agent=bool(rng.random() < 0.4) and agents < max_agents - 2)
        medium = (Medium.RADIO, Medium.ETHERNET, Medium.COAX, Medium.POWER_LINE)[int(rng.integers(0, 4))]
        b.join(name, far, LinkKind.BACKHAUL, medium)
        boxes.append(name)
    for i in range(int(rng.integers(2, 14))):
        agents = sum(n.agent for n in b.nodes.values())
        if len(b.links) >= max_links - 1:
            break
        b.host(
            f"host{i + 1}",
            boxes[int(rng.integers(0, len(boxes)))],
            radio=bool(rng.random() < 0.75),
            agent=agents < max_agents and (i < 2 or bool(rng.random() < 0.7)),
        )
    media = (Medium.CABLE, Medium.FIBRE, Medium.DSL, Medium.FIXED_WIRELESS)
    paper = b.finish("random home", way_out, media[int(rng.integers(0, 4))], peers)
    return _thinned(paper, max_targets)


def _thinned(paper: PaperHome, max_targets: int) -> PaperHome:
    """The home with its last agents taken away until no agent has more than `max_targets` sessions."""
    home = paper.home
    while len(home.agents) > 1:
        asked = Counter(s.key.agent for s in derive_sessions(home) if s.key.method is not Method.LOOKUP)
        if max(asked.values()) <= max_targets:
            break
        last = home.agents[-1]
        home = replace(home, nodes={**home.nodes, last.name: replace(last, agent=False, stamp=False)})
    return replace(paper, home=home)
