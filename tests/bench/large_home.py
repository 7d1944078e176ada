"""The large home of the benchmarks, ten agents with twelve targets each, and days of it."""

import numpy as np

from whichhop.compare.suspects.elements import elements_of
from whichhop.compare.windows.table import WindowTable, empty_table
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
    Session,
)

AGENTS = 10
TICKS_A_DAY = 8640
FAULTS_A_DAY = 4


def large_home() -> Home:
    """Ten agents, four of them on mesh nodes; each probes twelve targets."""
    nodes = {
        "router": Node(name="router", kind=NodeKind.ROUTER, address="192.0.2.1"),
        PROVIDER_EDGE: Node(name=PROVIDER_EDGE, kind=NodeKind.PROVIDER_EDGE, address="198.51.100.1"),
        "harbour": Node(name="harbour", kind=NodeKind.PEER, address="203.0.113.1", stamp=True),
    }
    links = []

    def add(name: str, kind: NodeKind, far: str, how: LinkKind, medium: Medium) -> None:
        nodes[name] = Node(name=name, kind=kind, address=f"192.0.2.{10 + len(nodes)}", agent=True)
        links.append(Link(name=f"{name}/{far}", near=name, far=far, kind=how, medium=medium))

    for i in range(4):
        add(f"box{i}", NodeKind.MESH_NODE, "router", LinkKind.BACKHAUL, Medium.RADIO)
    for i in range(AGENTS - 4):
        far = f"box{i % 4}" if i < 4 else "router"
        wired = i >= 4
        add(
            f"host{i}",
            NodeKind.HOST,
            far,
            LinkKind.WIRED if wired else LinkKind.WIRELESS,
            Medium.ETHERNET if wired else Medium.RADIO,
        )
    links.append(
        Link(name="line", near="router", far=PROVIDER_EDGE, kind=LinkKind.ACCESS, medium=Medium.CABLE)
    )
    links.append(Link(name=BEYOND, near=PROVIDER_EDGE, far="harbour", kind=LinkKind.BEYOND))
    return Home(
        name="Long House",
        plan=Plan(down_bps=500_000_000, up_bps=40_000_000),
        nodes=nodes,
        links=tuple(links),
        peers=("harbour",),
    )


def a_day(home: Home, sessions: tuple[Session, ...], start_ns: int, day: int) -> WindowTable:
    """A seeded day: noise per session, passing radio excess, and some faults."""
    rng = np.random.default_rng([30, day])
    ticks = TICKS_A_DAY
    table = empty_table([s.key for s in sessions], start_ns, ticks)
    table.sent[:] = 10
    blips = {link.name: np.flatnonzero(rng.random(ticks) < 0.006) for link in home.links}
    for j, session in enumerate(sessions):
        noise = rng.exponential(0.0006, ticks).astype(np.float32)
        for link in session.path.links:
            if link.medium is Medium.RADIO:
                noise[blips[link.name]] += rng.exponential(0.03, blips[link.name].size).astype(np.float32)
        table.q50_s[:, j] = 0.003 * len(session.path.links) + noise
        table.q80_s[:, j] = table.q50_s[:, j] + 0.0007
        table.lost[:, j] = rng.random(ticks) < 0.005
    elements = elements_of(home, sessions)
    for at in rng.integers(360, ticks - 360, FAULTS_A_DAY):
        column = sorted(elements[int(rng.integers(len(elements)))].column)
        length = int(rng.integers(6, 120))
        table.q50_s[at : at + length, column] += 0.06
        table.q80_s[at : at + length, column] += 0.08
    return table
