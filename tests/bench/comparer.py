"""How long the comparer takes over a month of a large home, and how much memory."""

import resource
from collections.abc import Iterable

import numpy as np

from bench.figure import Figure
from whichhop.compare.history import judge
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
    derive_sessions,
)
from whichhop.model.units import NS_PER_S
from whichhop.net.clock import SystemClock

DAYS = 30
AGENTS = 10
TICKS_A_DAY = 8640
FAULTS_A_DAY = 4
START_NS = 1_767_268_800 * NS_PER_S


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


def a_month(home: Home, sessions: tuple[Session, ...], days: int) -> WindowTable:
    """A seeded month: noise per session, passing radio excess, and some faults each day."""
    rng = np.random.default_rng(30)
    ticks = days * TICKS_A_DAY
    table = empty_table([s.key for s in sessions], START_NS, ticks)
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
    for at in rng.integers(360, ticks - 360, FAULTS_A_DAY * days):
        column = sorted(elements[int(rng.integers(len(elements)))].column)
        length = int(rng.integers(6, 120))
        table.q50_s[at : at + length, column] += 0.06
        table.q80_s[at : at + length, column] += 0.08
    return table


def _cpu_s() -> float:
    """Processor time of this process so far, seconds."""
    usage = resource.getrusage(resource.RUSAGE_SELF)
    return usage.ru_utime + usage.ru_stime


def run(days: int = DAYS) -> Iterable[Figure]:
    """Time of one judgement on one core, and the most memory this process has held."""
    home = large_home()
    sessions = derive_sessions(home)
    table = a_month(home, sessions, days)
    clock = SystemClock()
    began, used = clock.mono_ns(), _cpu_s()
    verdicts = judge(home, sessions, table)
    seconds = (clock.mono_ns() - began) / NS_PER_S
    # On a machine that others use too, the processor's own time is what one core of it would take.
    beside = {
        "days": days,
        "agents": AGENTS,
        "targets_an_agent": len(sessions) // AGENTS,
        "sessions": len(sessions),
        "verdicts": len(verdicts),
        "cpu_s": round(_cpu_s() - used, 1),
    }
    yield Figure(bench="comparer-time", value=seconds, unit="s", target=60, ok=seconds <= 60, beside=beside)
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    yield Figure(bench="comparer-memory", value=peak, unit="MB", target=1500, ok=peak <= 1500)
