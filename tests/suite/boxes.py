"""Boxes, ports, clocks: faults of what stands between the links, and agents that are wrong themselves."""

import numpy as np

from paper_home.homes import PaperHome
from paper_home.other_homes import other_home
from suite.case import HOME_SIDE, Label
from suite.faults import MS, Script, add_fault, causes_of, moments, rhythm_of
from suite.recipe import Fill, Recipe, elsewhere
from suite.standing import also
from whichhop.lab.scenario import Effect, Fault, FaultWay, Quirk, QuirkKind
from whichhop.model import Cause, LinkKind, NodeKind


def _forwards_badly(*kinds: NodeKind) -> Fill:
    """What a box passes on, or of that what it routes outward, is late or lost; its own answers are well."""

    def fill(script: Script, seconds: float) -> None:
        nodes = script.home.nodes
        found = [
            e
            for e in script.columns
            if e.partition(":")[0] in ("forward", "route") and nodes[e.partition(":")[2]].kind in kinds
        ]
        element = script.one_of(found)
        if element is None:
            return
        for at in moments(script, seconds, first_s=1200, gap_s=1500):
            delays = script.rng.random() < 0.6
            added = script.log_uniform(12 * MS, 150 * MS) if delays else 0.0
            lost = script.log_uniform(0.06, 0.4) if not delays or script.rng.random() < 0.3 else 0.0
            effect = Effect(delay_s=added / 4, jitter_s=added / 4, loss_ratio=1 - (1 - lost) ** 0.5)
            rhythm, pieces = rhythm_of(script, at)
            script.faults.extend(
                Fault(at_s=start, for_s=lasts, element=element, cause=Cause.HOME_NODE, effect=effect)
                for start, lasts in pieces
            )
            script.labels.append(
                Label(
                    start_s=at, end_s=pieces[-1][0] + pieces[-1][1], element=element, cause=Cause.HOME_NODE,
                    rhythm=rhythm, size="delay" if delays else "loss", accept=also(element),
                )
            )  # fmt: skip

    return fill


def _own_port(script: Script, seconds: float) -> None:
    """A wired machine's own port or cable loses or delays, while the machine itself is well."""
    hosts = {n for n, node in script.home.nodes.items() if node.kind is NodeKind.HOST and node.agent}
    found = [
        k.name
        for k in script.home.links
        if k.kind is LinkKind.WIRED and k.near in hosts and k.name in script.columns
    ]
    element = script.one_of(found)
    if element is None:
        return
    for at in moments(script, seconds, first_s=1200, gap_s=1500):
        loses = script.rng.random() < 0.7
        lost = script.log_uniform(0.05, 0.6) if loses else 0.0
        added = script.log_uniform(8 * MS, 60 * MS) if not loses or script.rng.random() < 0.3 else 0.0
        way = (FaultWay.BOTH, FaultWay.UP, FaultWay.DOWN)[int(script.rng.integers(0, 3))]
        share = 0.5 if way is FaultWay.BOTH else 1.0
        effect = Effect(
            delay_s=added * share / 2, jitter_s=added * share / 2, loss_ratio=1 - (1 - lost) ** share, way=way
        )
        lasts = script.log_uniform(60, 900)
        script.faults.append(
            Fault(at_s=at, for_s=lasts, element=element, cause=Cause.WIRED_LAN, effect=effect)
        )
        script.labels.append(
            Label(
                start_s=at, end_s=at + lasts, element=element, cause=Cause.WIRED_LAN, rhythm="steady",
                size="loss" if loses else "delay",
            )
        )  # fmt: skip


def _wired_home(_seed: int, rng: np.random.Generator) -> PaperHome:
    plots = ("switches", "gateway", "chain")
    for _ in range(20):
        paper = other_home(rng, plot=plots[int(rng.integers(0, 3))])
        nodes = paper.home.nodes
        if any(k.kind is LinkKind.WIRED and nodes[k.near].kind is NodeKind.HOST for k in paper.home.links):
            break
    return paper


def _node_dies(script: Script, seconds: float) -> None:
    """A mesh node with its agent is dead for minutes; nobody hangs on it."""
    name = "spare"
    link = next(k.name for k in script.home.links if k.near == name)
    for at in moments(script, seconds, first_s=1200, gap_s=2400):
        lasts = script.log_uniform(120, 1800)
        script.quirks.append(Quirk(at_s=at, for_s=lasts, kind=QuirkKind.ASLEEP, element=f"host:{name}"))
        script.labels.append(
            Label(
                start_s=at, end_s=at + lasts, element=f"node:{name}", cause=Cause.HOME_NODE, rhythm="steady",
                size="outage", accept=frozenset({f"host:{name}", f"reply:{name}", link, f"forward:{name}"}),
            )
        )  # fmt: skip


def _clock_off(script: Script, seconds: float) -> None:
    """One agent's clock is off by 15 to 300 s; faults of the home as ever."""
    names = [a.name for a in script.home.agents]
    name = names[int(script.rng.integers(0, len(names)))]
    sign = 1 if script.rng.random() < 0.5 else -1
    script.setting.clocks_s[name] = sign * script.log_uniform(15, 300)
    causes = [c for c in causes_of(script) if c in HOME_SIDE]
    for at in moments(script, seconds, first_s=1800, gap_s=1800):
        add_fault(script, causes[int(script.rng.integers(0, len(causes)))], at)


def _two_agents(_seed: int, rng: np.random.Generator) -> PaperHome:
    for _ in range(20):
        paper = other_home(rng)
        if len(paper.home.agents) >= 2:
            break
    return paper


def _late_end(script: Script, seconds: float) -> None:
    """The span that is asked for ends 50 s after the last packet, amid a fault of the line."""
    script.setting.silent_s = 50.0
    line = next(k.name for k in script.home.links if k.kind is LinkKind.ACCESS)
    at, cause = seconds - 50.0 - float(script.rng.uniform(240, 600)), Cause.UPSTREAM_LINK
    lost, added = script.log_uniform(0.1, 0.4), script.log_uniform(0.02, 0.1)
    effect = Effect(delay_s=added / 4, jitter_s=added / 4, loss_ratio=lost / 2)
    script.faults.append(Fault(at_s=at, for_s=86_400, element=line, cause=cause, effect=effect))
    script.labels.append(
        Label(
            start_s=at, end_s=seconds, element=line, cause=cause, rhythm="to the end", size="middling",
        )
    )  # fmt: skip


BOXES: dict[str, Recipe] = {
    "gateway-forwards": Recipe(
        fill=_forwards_badly(NodeKind.GATEWAY), hours=6.0, home=elsewhere(plot="gateway")
    ),
    "router-forwards": Recipe(
        fill=_forwards_badly(NodeKind.ROUTER, NodeKind.MESH_NODE), hours=6.0, home=elsewhere(plot="chain")
    ),
    "own-port": Recipe(fill=_own_port, hours=6.0, home=_wired_home),
    "node-dies": Recipe(fill=_node_dies, hours=6.0, home=elsewhere(plot="spare-node")),
    "clock-off": Recipe(fill=_clock_off, hours=6.0, home=_two_agents),
    "late-end": Recipe(fill=_late_end, hours=1.5, home=elsewhere(), counted=1.0),
}
