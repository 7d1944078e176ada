"""Homes of another mind than `homes`: boxes in a row, one agent, far peers, every medium, slow replies.

Levels are drawn wide (log-normal, by medium); their sources stand beside them.
"""

import numpy as np
from msgspec import Struct, field

from paper_home.homes import MS, PaperHome
from whichhop.lab.scenario import LinkNature
from whichhop.model import (
    BEYOND,
    PROVIDER_EDGE,
    Home,
    Link,
    LinkKind,
    Medium,
    Node,
    NodeKind,
    Plan,
    Resolver,
)

# Median round trip in ms and log-sd. For [L], [S], [M] see `measured`; a regulator's averages to a near
# server in peak hours (FCC, July 2012 report: fibre 24, cable 32, DSL 49 ms) hold line, network and server.
LEVEL_MS: dict[Medium, tuple[float, float]] = {
    Medium.RADIO: (2.0, 0.45),  # a hop's median is 3 ms with its noise [S]
    Medium.ETHERNET: (0.15, 0.4),  # physics: 1,500 octets at 100 Mbit/s take 0.12 ms a hop
    Medium.COAX: (3.8, 0.2),  # a scheduled medium of some 3.5 ms; from memory
    Medium.POWER_LINE: (5.0, 0.5),  # from memory
    Medium.CABLE: (9.0, 0.35),  # idle about 10 ms [L]
    Medium.DSL: (11.0, 0.5),  # interleaving 2 to 20 ms on 4 ms without [L]
    Medium.FIBRE: (2.2, 0.4),  # from memory
    Medium.FIXED_WIRELESS: (30.0, 0.3),  # mobile networks' median of 33 ms [L]
    Medium.SATELLITE: (600.0, 0.06),  # geostationary: above 558 ms by physics (RFC 2488 2)
}
# Plan down and up in Mbit/s, depth of the queue up in seconds: common practice; [L] has up to 0.2 s on cable.
PLANS: dict[Medium, tuple[tuple[tuple[int, int], ...], tuple[float, float]]] = {
    Medium.CABLE: (((100, 10), (250, 25), (500, 40), (1000, 50)), (0.06, 0.35)),
    Medium.FIBRE: (((100, 100), (300, 150), (1000, 500)), (0.02, 0.10)),
    Medium.DSL: (((16, 1), (50, 10), (100, 40)), (0.10, 0.60)),
    Medium.FIXED_WIRELESS: (((50, 10), (100, 20), (300, 50)), (0.10, 0.50)),
    Medium.SATELLITE: (((50, 5),), (0.20, 0.60)),
}
LINES = {
    Medium.CABLE: 0.33,
    Medium.FIBRE: 0.27,
    Medium.DSL: 0.25,
    Medium.FIXED_WIRELESS: 0.12,
    Medium.SATELLITE: 0.03,
}
"""Shares of lines; from memory."""


class _Plot(Struct):
    """A home being built: every name but the boxes' is a number, as another author would have it."""

    rng: np.random.Generator
    nodes: dict[str, Node] = field(default_factory=dict)
    links: list[Link] = field(default_factory=list)
    natures: dict[str, LinkNature] = field(default_factory=dict)
    agents: int = 0

    def box(self, name: str, kind: NodeKind, *, agent: bool = False, mute: bool = False) -> str:
        address = None if mute else f"192.0.2.{len(self.nodes) + 10}"
        self.nodes[name] = Node(name=name, kind=kind, address=address, agent=agent, stamp=agent)
        self.agents += agent
        if address and not agent and self.rng.random() < 0.25:
            # Some boxes answer late from their control plane and forward well; median 4 ms, from memory.
            self.natures[f"reply:{name}"] = LinkNature(delay_s=self._drawn_s(4.0, 0.9))
        return name

    def _drawn_s(self, median_ms: float, spread: float) -> float:
        return float(0.5 * MS * median_ms * np.exp(spread * self.rng.standard_normal()))

    def tie(self, near: str, far: str, kind: LinkKind, medium: Medium) -> None:
        name = f"{near}-{far}"
        self.links.append(Link(name=name, near=near, far=far, kind=kind, medium=medium))
        self.natures[name] = LinkNature(delay_s=self._drawn_s(*LEVEL_MS[medium]))

    def machine(self, far: str, *, radio: bool, agent: bool = True) -> str:
        name = f"{'laptop' if radio else 'pc'}{len(self.nodes)}"
        self.nodes[name] = Node(
            name=name, kind=NodeKind.HOST, address=f"192.0.2.{len(self.nodes) + 10}", agent=agent, stamp=agent
        )
        self.agents += agent
        if radio:
            self.tie(name, far, LinkKind.WIRELESS, Medium.RADIO)
        else:
            self.tie(name, far, LinkKind.WIRED, Medium.ETHERNET)
        return name

    def some(self, far: str, low: int, high: int, radio_share: float = 0.7) -> None:
        for _ in range(int(self.rng.integers(low, high + 1))):
            self.machine(far, radio=bool(self.rng.random() < radio_share))


def _gateway(p: _Plot) -> str:
    """One box for everything; perhaps a switch behind it."""
    p.box("gateway", NodeKind.GATEWAY)
    p.some("gateway", 1, 3)
    if p.rng.random() < 0.5:
        p.box("switch", NodeKind.SWITCH, mute=True)
        p.tie("switch", "gateway", LinkKind.WIRED, Medium.ETHERNET)
        p.some("switch", 1, 2, radio_share=0.0)
    return "gateway"


def _chain(p: _Plot) -> str:
    """Two mesh nodes in a row, by radio or mixed."""
    p.box("router", NodeKind.ROUTER, agent=bool(p.rng.random() < 0.3))
    p.box("first", NodeKind.MESH_NODE, agent=bool(p.rng.random() < 0.5))
    p.box("second", NodeKind.MESH_NODE, agent=bool(p.rng.random() < 0.5))
    media = (Medium.RADIO, Medium.RADIO, Medium.ETHERNET, Medium.COAX)
    p.tie("first", "router", LinkKind.BACKHAUL, media[int(p.rng.integers(0, 4))])
    p.tie("second", "first", LinkKind.BACKHAUL, media[int(p.rng.integers(0, 4))])
    p.some("first", 0, 2)
    p.some("second", 1, 3)
    p.some("router", 0, 2, radio_share=0.4)
    return _modem(p, "router")


def _garage(p: _Plot) -> str:
    """An access point behind a power line, and a machine that hangs on it."""
    p.box("router", NodeKind.ROUTER, agent=bool(p.rng.random() < 0.2))
    p.box("garage", NodeKind.ACCESS_POINT)
    p.tie("garage", "router", LinkKind.BACKHAUL, Medium.POWER_LINE)
    p.some("garage", 1, 2)
    p.some("router", 1, 3, radio_share=0.6)
    return _modem(p, "router")


def _two_routers(p: _Plot) -> str:
    """The home's own router behind the provider's gateway, machines behind either."""
    p.box("gateway", NodeKind.GATEWAY)
    p.box("router", NodeKind.ROUTER, agent=bool(p.rng.random() < 0.3))
    p.tie("router", "gateway", LinkKind.WIRED, Medium.ETHERNET)
    p.box("ceiling", NodeKind.ACCESS_POINT)
    p.tie("ceiling", "router", LinkKind.WIRED, Medium.ETHERNET)
    p.some("ceiling", 1, 3, radio_share=1.0)
    p.some("router", 0, 2, radio_share=0.2)
    p.some("gateway", 0, 1)
    return "gateway"


def _lone(p: _Plot) -> str:
    """One agent in the whole home."""
    kind = NodeKind.GATEWAY if p.rng.random() < 0.6 else NodeKind.ROUTER
    name = p.box(str(kind), kind)
    far = name
    if p.rng.random() < 0.35:
        far = p.box("upstairs", NodeKind.MESH_NODE)
        p.tie(far, name, LinkKind.BACKHAUL, Medium.RADIO if p.rng.random() < 0.7 else Medium.POWER_LINE)
    p.machine(far, radio=bool(p.rng.random() < 0.8))
    return name


def _switches(p: _Plot) -> str:
    """Desks behind switches behind a router, radio only for the sofa."""
    p.box("router", NodeKind.ROUTER, agent=bool(p.rng.random() < 0.5))
    for name in ("cupboard", "office")[: int(p.rng.integers(1, 3))]:
        p.box(name, NodeKind.SWITCH, mute=True)
        p.tie(name, "router", LinkKind.WIRED, Medium.ETHERNET)
        p.some(name, 1, 2, radio_share=0.0)
    p.machine("router", radio=True)
    return _modem(p, "router")


def _spare_node(p: _Plot) -> str:
    """A mesh home one of whose nodes runs an agent and serves nobody; only for who asks for it."""
    way_out = _chain(p)
    p.box("spare", NodeKind.MESH_NODE, agent=True)
    p.tie("spare", "router", LinkKind.BACKHAUL, Medium.RADIO if p.rng.random() < 0.7 else Medium.ETHERNET)
    return way_out


def _modem(p: _Plot, router: str) -> str:
    if p.rng.random() < 0.4:
        return router
    p.box("modem", NodeKind.MODEM, mute=bool(p.rng.random() < 0.6))
    p.tie(router, "modem", LinkKind.WIRED, Medium.ETHERNET)
    return "modem"


PLOTS = {
    "gateway": (_gateway, 0.26),
    "chain": (_chain, 0.20),
    "garage": (_garage, 0.12),
    "two-routers": (_two_routers, 0.12),
    "lone": (_lone, 0.16),
    "switches": (_switches, 0.14),
    "spare-node": (_spare_node, 0.0),
}


def other_home(rng: np.random.Generator, *, plot: str | None = None, line: Medium | None = None) -> PaperHome:
    """A home drawn at random; `plot`, one of PLOTS, and `line` fix its shape and its access medium."""
    p = _Plot(rng)
    drawn = list(PLOTS)[int(rng.choice(len(PLOTS), p=[share for _, share in PLOTS.values()]))]
    medium = line or list(LINES)[int(rng.choice(len(LINES), p=list(LINES.values())))]
    way_out = PLOTS[plot or drawn][0](p)
    if p.agents == 0:
        p.machine(way_out if p.nodes[way_out].kind is not NodeKind.MODEM else "router", radio=True)
    plans, (shallow, deep) = PLANS[medium]
    down, up = plans[int(rng.integers(0, len(plans)))]
    p.nodes[PROVIDER_EDGE] = Node(name=PROVIDER_EDGE, kind=NodeKind.PROVIDER_EDGE, address="198.51.100.1")
    p.tie(way_out, PROVIDER_EDGE, LinkKind.ACCESS, medium)
    line_name = p.links[-1].name
    p.natures[line_name] = LinkNature(
        delay_s=p.natures[line_name].delay_s,
        rate_bps=up * 1_000_000,
        queue_s=float(rng.uniform(shallow, deep)),
    )
    p.links.append(Link(name=BEYOND, near=PROVIDER_EDGE, far=BEYOND, kind=LinkKind.BEYOND))
    # The provider's network: light goes 100 km and back in 1 ms [L]; median 3 ms, from memory.
    p.natures[BEYOND] = LinkNature(delay_s=p._drawn_s(3.0, 0.8))
    peers = ("peer-a", "peer-b", "peer-c")[: int(rng.integers(1, 4))]
    for i, peer in enumerate(peers):
        p.nodes[peer] = Node(
            name=peer, kind=NodeKind.PEER, address=f"203.0.113.{i + 1}", stamp=bool(rng.random() < 0.5)
        )
        p.natures[f"destination:{peer}"] = LinkNature(delay_s=p._drawn_s(10.0, 1.0))
    inside = next(n for n, node in p.nodes.items() if node.kind in (NodeKind.ROUTER, NodeKind.GATEWAY))
    at_home = rng.random() < 0.6
    home = Home(
        name=f"another home ({plot or drawn}, {medium})",
        plan=Plan(down_bps=down * 1_000_000, up_bps=up * 1_000_000),
        nodes=p.nodes,
        links=tuple(p.links),
        peers=peers,
        resolvers=(
            Resolver(
                name="resolver",
                address=(p.nodes[inside].address or "") if at_home else "198.51.100.53",
                place=inside if at_home else PROVIDER_EDGE,
            ),
        ),
    )
    return PaperHome(home=home, natures=p.natures)
