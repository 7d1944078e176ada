"""What the access line and what meets the same packets are called together; which way packets were lost."""

from collections.abc import Iterator, Sequence

import numpy as np
from msgspec import Struct

from whichhop.compare.suspects.elements import OWN_TRAFFIC, Element, Nature
from whichhop.compare.verdict.provider_guards import Scene
from whichhop.model import Home, Link, LinkKind, Medium, NodeKind, Session

_CABLING = {
    Medium.CABLE: ", its modem and coax",
    Medium.DSL: ", its modem and telephone wiring",
    Medium.FIBRE: ", its terminal and fibre",
    Medium.FIXED_WIRELESS: " and its antenna",
    Medium.SATELLITE: " and its dish",
}
"""What a line has at its end in the house, which no packet tells from the line outside (common practice)."""
_INSIDE = (Nature.FORWARDING, Nature.NODE, Nature.HOST, Nature.REPLY)


def place_of(home: Home, elements: Sequence[Element], names: Sequence[str]) -> str:
    """A group that holds the access line, in words; empty where it holds anything further inside the home."""
    line = next((k for k in home.links if k.kind is LinkKind.ACCESS), None)
    if line is None or line.name not in names or len(names) < 2:
        return ""
    natures = {e.name: e.nature for e in elements}
    ends = _at_the_end(home, line)
    boxes, more = dict[str, str](), []
    for name in names:
        nature = natures[name]
        box = name.partition(":")[2]
        if nature in _INSIDE and box in ends:
            gateway = home.nodes[box].kind is NodeKind.GATEWAY
            boxes[box] = f"the way through {box} to it" if gateway else f"the WAN side of {box}"
        elif nature is Nature.ETHERNET and {home.link(name).near, home.link(name).far} <= ends:
            # The lead to the modem is called by the box that it is plugged into.
            near = home.link(name).near
            boxes.setdefault(near, f"the WAN side of {near}")
        elif name == OWN_TRAFFIC:
            more.append("the home's own traffic that fills it")
        elif nature is Nature.BEYOND:
            more.append("the provider's network behind it")
        elif nature is Nature.DESTINATION:
            more.append(f"the destination {box}")
        elif name != line.name:
            return ""
    modems = [b for b in boxes if home.nodes[b].kind is NodeKind.MODEM]
    parts = [
        f"the access line{_CABLING.get(line.medium, ' and its modem') if line.medium else ' and its modem'}",
        *(words for box, words in boxes.items() if box not in modems),
        *more,
    ]
    return parts[0] if len(parts) == 1 else f"{', '.join(parts[:-1])} or {parts[-1]}"


def _at_the_end(home: Home, line: Link) -> frozenset[str]:
    """The box or boxes by which the whole home reaches its line: the router, its modem."""
    out = {line.near}
    inward = [k for k in home.links if k.far == line.near]
    while len(inward) == 1 and inward[0].kind is LinkKind.WIRED:
        near = inward[0].near
        if home.nodes[near].kind not in (NodeKind.ROUTER, NodeKind.GATEWAY):
            break
        out.add(near)
        inward = [k for k in home.links if k.far == near]
    return frozenset(out)


def what_splits(home: Home, elements: Sequence[Element], names: Sequence[str]) -> Iterator[str]:
    """What would tell a box's own way to the line from the line, where no vantage point can."""
    line = next((k for k in home.links if k.kind is LinkKind.ACCESS), None)
    if line is None or line.name not in names:
        return
    natures = {e.name: e.nature for e in elements}
    ends = _at_the_end(home, line)
    for box in dict.fromkeys(
        n.partition(":")[2] for n in names if natures[n] in _INSIDE and n.partition(":")[2] in ends
    ):
        if home.nodes[box].kind is NodeKind.GATEWAY:
            yield (
                f"read the levels of the modem, or let a modem of its own stand before {box}: what {box} does"
                " between the home and the line meets the same packets as the line itself"
            )
        elif line.near == box:
            yield (
                f"name the modem and its own address in the home file, so that it is probed apart from the"
                f" line, or connect a machine with an agent straight to it: what {box} does between the home"
                " and the line meets the same packets as the line itself"
            )


class LossWay(Struct, frozen=True, kw_only=True):
    """Lost packets whose direction is known, by STAMP's sequence numbers (RFC 8762) or counters (RFC 8972).

    there, back: how many each way. ends: the two nodes between which `there` is; None where the element is no
    link: `there` is then away from the agents.
    """

    there: int
    back: int
    ends: tuple[str, str] | None


def loss_way(scene: Scene, lead: Element) -> LossWay:
    """Of the packets that the element's sessions lost in the scene."""
    link = next((k for k in scene.home.links if k.name == lead.name), None)
    there = back = 0
    for i in sorted(lead.column):
        heard = scene.speaks[:, i]
        out = int(np.where(heard, scene.table.lost_out[:, i], 0).sum())
        home = int(np.where(heard, scene.table.lost_back[:, i], 0).sum())
        if link is not None and _against(scene.sessions[i], link.near, link.far):
            out, home = home, out
        there, back = there + out, back + home
    return LossWay(there=there, back=back, ends=None if link is None else (link.near, link.far))


def _against(session: Session, near: str, far: str) -> bool:
    """Whether a session's packets to its target cross a link from its far end to its near one."""
    nodes = list(session.path.nodes)
    if near in nodes and far in nodes:
        return nodes.index(far) < nodes.index(near)
    return far == session.key.agent
