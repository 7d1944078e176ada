"""Which way the lost packets were lost: across a link from its near end to its far one, or back."""

from dataclasses import dataclass

import numpy as np

from whichhop.compare.suspects.elements import Element
from whichhop.compare.verdict.provider_guards import Scene
from whichhop.model import Session


@dataclass(frozen=True, slots=True, kw_only=True)
class LossWay:
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
