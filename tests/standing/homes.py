"""Homes of every medium, and how quick each of their elements is in health: honest spreads, drawn by seed.

The spreads are not the comparer's priors: ranges and mixtures of published figures (named beside each), so
that a comparer which believes its own priors too narrowly is caught.
"""

import numpy as np
from msgspec import Struct, field

from whichhop.compare.suspects.elements import Element, Nature, elements_of, judged
from whichhop.model import (
    BEYOND,
    PROVIDER_EDGE,
    Home,
    Link,
    LinkKind,
    Medium,
    Node,
    NodeKind,
    Session,
    derive_sessions,
)

ACCESS = (Medium.CABLE, Medium.DSL, Medium.FIBRE, Medium.FIXED_WIRELESS, Medium.SATELLITE)
BACKHAUL = (Medium.RADIO, Medium.ETHERNET, Medium.COAX, Medium.POWER_LINE)
SHAPES = ("laptop", "gateway", "desk", "mesh", "two-nodes", "chain")


class _Plan(Struct):
    nodes: dict[str, Node] = field(default_factory=dict)
    links: list[Link] = field(default_factory=list)

    def node(self, name: str, kind: NodeKind, *, agent: bool = False, mute: bool = False) -> str:
        address = None if mute else f"192.0.2.{len(self.nodes) + 1}"
        self.nodes[name] = Node(name=name, kind=kind, address=address, agent=agent, stamp=agent)
        return name

    def join(self, near: str, far: str, kind: LinkKind, medium: Medium | None) -> None:
        self.links.append(Link(name=f"{near}/{far}", near=near, far=far, kind=kind, medium=medium))

    def host(self, name: str, far: str, *, wired: bool = False) -> None:
        self.node(name, NodeKind.HOST, agent=True)
        if wired:
            self.join(name, far, LinkKind.WIRED, Medium.ETHERNET)
        else:
            self.join(name, far, LinkKind.WIRELESS, Medium.RADIO)


def draw_home(
    rng: np.random.Generator,
    shape: str | None = None,
    access: Medium | None = None,
    backhaul: Medium | None = None,
) -> Home:
    """A home of one of SHAPES; what is not given is drawn."""
    shape = shape or str(rng.choice(SHAPES[1:]))
    access = access or ACCESS[int(rng.choice(5, p=[0.3, 0.25, 0.25, 0.12, 0.08]))]
    media = [backhaul or BACKHAUL[int(rng.integers(0, 4))] for _ in range(2)]
    p = _Plan()
    out = "router"
    if shape in ("laptop", "gateway"):
        out = p.node("gateway", NodeKind.GATEWAY)
        p.host("laptop", "gateway")
        if shape == "gateway":
            p.host("bedroom", "gateway")
            p.host("study", "gateway", wired=True)
    else:
        p.node("router", NodeKind.ROUTER, agent=bool(rng.random() < 0.3))
        p.host("study", "router", wired=True)
        p.host("sofa", "router")
        if shape != "desk":
            p.node("attic", NodeKind.MESH_NODE, agent=bool(rng.random() < 0.5))
            p.join("attic", "router", LinkKind.BACKHAUL, media[0])
            p.host("loft", "attic", wired=bool(rng.random() < 0.3))
            p.host("bedroom", "attic")
        if shape in ("two-nodes", "chain"):
            p.node("garden", NodeKind.MESH_NODE, agent=bool(rng.random() < 0.5))
            p.join("garden", "attic" if shape == "chain" else "router", LinkKind.BACKHAUL, media[1])
            p.host("shed", "garden")
        if rng.random() < 0.5:
            p.node("modem", NodeKind.MODEM, mute=bool(rng.random() < 0.5))
            p.join("router", "modem", LinkKind.WIRED, Medium.ETHERNET)
            out = "modem"
    p.nodes[PROVIDER_EDGE] = Node(name=PROVIDER_EDGE, kind=NodeKind.PROVIDER_EDGE, address="198.51.100.1")
    p.join(out, PROVIDER_EDGE, LinkKind.ACCESS, access)
    far = ("harbour", "lighthouse")
    for i, name in enumerate(far):
        p.nodes[name] = Node(name=name, kind=NodeKind.PEER, address=f"203.0.113.{i + 1}", stamp=i == 0)
    p.links.append(Link(name=BEYOND, near=PROVIDER_EDGE, far=BEYOND, kind=LinkKind.BEYOND))
    return Home(name="drawn", plan=None, nodes=p.nodes, links=tuple(p.links), peers=far)


class Quick(Struct, frozen=True, kw_only=True):
    """An element in health, two-way milliseconds: what every packet pays, an even part on top, a long tail.

    steady, even: constant, and the width of a uniform draw. often, often_ms: share and mean of small extras.
    seldom, seldom_ms: share and range of long stalls. lost: share of packets. sway: slow swing's size in ms.
    """

    steady: float
    even: float = 0.0
    often: float = 0.0
    often_ms: float = 0.0
    seldom: float = 0.0
    seldom_ms: tuple[float, float] = (0.0, 0.0)
    lost: float = 0.0
    sway: float = 0.0


def _radio(rng: np.random.Generator, far: float) -> Quick:
    """5 GHz near or 2.4 GHz: medians of 0.7 to 0.9 and 3 to 8 ms in published home series."""
    near = rng.random() < 0.6
    steady = rng.uniform(0.7, 2.2) if near else rng.uniform(1.8, 5.0)
    return Quick(
        steady=steady * far,
        even=rng.uniform(0.3, 1.6),
        often=rng.uniform(0.03, 0.15),
        often_ms=rng.uniform(2.0, 7.0),
        seldom=10 ** rng.uniform(-3.3, -2.0),
        seldom_ms=(25.0, 140.0),
        lost=10 ** rng.uniform(-4.0, -2.7),
        sway=rng.uniform(0.0, 0.8),
    )


def draw_quick(rng: np.random.Generator, home: Home, element: Element) -> Quick:
    """How an element behaves in health."""
    u = rng.uniform
    nature = element.nature
    if nature is Nature.HOST:
        return Quick(steady=u(0.04, 0.2), even=0.04, seldom=2e-4, seldom_ms=(5, 40), lost=1e-5)
    if nature in (Nature.NODE, Nature.FORWARDING):
        return Quick(steady=u(0.04, 0.25), even=0.03, seldom=1e-4, seldom_ms=(2, 10))
    if nature is Nature.REPLY:
        node = home.nodes[element.name.partition(":")[2]]
        box = not node.agent and node.kind not in (NodeKind.HOST, NodeKind.PEER)
        if not box:
            return Quick(steady=u(0.03, 0.1), even=0.03)
        return Quick(
            steady=u(0.1, 1.2), even=0.3, often=u(0, 0.05), often_ms=4, seldom=10 ** u(-4, -2.3),
            seldom_ms=(10, 60), lost=10 ** u(-5, -2.7),
        )  # fmt: skip
    if nature is Nature.DESTINATION:
        # 5 us a km of fibre (ITU-T G.114): 50 to 3000 km.
        return Quick(
            steady=10 ** u(-0.3, 1.5), even=0.2, seldom=4e-4, seldom_ms=(5, 40), lost=10 ** u(-5, -3.3)
        )
    if nature in (Nature.AIR, Nature.OWN_TRAFFIC, Nature.RESOLVER):
        return Quick(steady=0.0)
    link = home.link(element.name)
    if link.kind is LinkKind.BEYOND:
        return Quick(
            steady=10 ** u(-0.3, 1.1), even=0.3, seldom=5e-4, seldom_ms=(5, 40), lost=10 ** u(-5, -3.3)
        )
    if link.kind is LinkKind.WIRELESS:
        return _radio(rng, 1.0)
    if link.kind is LinkKind.BACKHAUL and link.medium is Medium.RADIO:
        return _radio(rng, 1.4)
    return _wire(rng, link.medium)


def _wire(rng: np.random.Generator, medium: Medium | None) -> Quick:
    u = rng.uniform
    if medium is Medium.COAX:  # MoCA 2.0: under 3.5 ms on average one way
        return Quick(
            steady=u(2.8, 6.2), even=u(0.4, 1.2), seldom=4e-4, seldom_ms=(8, 30), lost=10 ** u(-6, -3.3)
        )
    if medium is Medium.POWER_LINE:  # half a mains cycle of waiting is usual, two are not rare
        return Quick(
            steady=u(2.5, 11.0), even=u(0.8, 3.0), often=u(0.02, 0.1), often_ms=5, seldom=10 ** u(-3.3, -2.4),
            seldom_ms=(20, 60), lost=10 ** u(-4.3, -2.5),
        )  # fmt: skip
    if medium is Medium.CABLE:  # 2 to 8 ms to get the right to send, drawn by packet
        return Quick(
            steady=u(5.0, 13.0), even=u(2.0, 5.0), often=u(0, 0.05), often_ms=3, seldom=10 ** u(-3.7, -2.7),
            seldom_ms=(15, 50), lost=10 ** u(-5, -2.7),
        )  # fmt: skip
    if medium is Medium.DSL:  # fast 4 ms, VDSL2 interleaved to 24, ADSL2+ (8 + 8) near 20 and up
        ranges = ((3.5, 9.0), (10.0, 25.0), (17.0, 38.0))
        return Quick(
            steady=u(*ranges[int(rng.integers(0, 3))]), even=u(0.2, 0.9), seldom=4e-4, seldom_ms=(10, 40),
            lost=10 ** u(-5, -3),
        )  # fmt: skip
    if medium is Medium.FIBRE:
        return Quick(
            steady=u(0.8, 4.0), even=u(0.1, 0.5), seldom=2e-4, seldom_ms=(5, 20), lost=10 ** u(-6, -4)
        )
    if medium is Medium.FIXED_WIRELESS:  # 10 ms of scheduling, 5 ms a retransmission
        return Quick(
            steady=u(16.0, 42.0), even=u(6.0, 12.0), often=u(0.05, 0.2), often_ms=7, seldom=10 ** u(-3, -2),
            seldom_ms=(25, 120), lost=10 ** u(-4, -2.5), sway=u(0, 3),
        )  # fmt: skip
    if medium is Medium.SATELLITE:  # RFC 2488: 558 ms and more
        return Quick(
            steady=u(558.0, 660.0), even=u(8, 25), often=0.05, often_ms=20, seldom=0.004, seldom_ms=(40, 200),
            lost=10 ** u(-3.5, -2.2), sway=u(0, 4),
        )  # fmt: skip
    return Quick(steady=u(0.12, 0.5), even=0.06, seldom=1e-4, seldom_ms=(1, 6), lost=1e-6)


def sessions_of(home: Home) -> tuple[Session, ...]:
    """The sessions that may speak, in the comparer's order."""
    return tuple(sorted(judged(derive_sessions(home)), key=lambda s: s.key))


def elements_in(home: Home, sessions: tuple[Session, ...]) -> tuple[Element, ...]:
    """All that may be at fault."""
    return elements_of(home, sessions)
