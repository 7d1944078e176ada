"""What rank allows: which elements no session could tell apart, worked out apart from the comparer."""

from collections.abc import Sequence

from paper_home.crossings import air_links, link_crossings, pseudo_crossing
from whichhop.lab.scenario import Scenario
from whichhop.model import Home, LinkKind, Method, NodeKind, Session

BOXES = {NodeKind.ROUTER, NodeKind.GATEWAY, NodeKind.MESH_NODE, NodeKind.ACCESS_POINT, NodeKind.SWITCH}


def columns(scenario: Scenario, sessions: Sequence[Session]) -> dict[str, frozenset[int]]:
    """For every element that a session crosses, the indices of the sessions that do."""
    home = scenario.home
    out = {name: frozenset(c.rows.tolist()) for name, c in link_crossings(sessions).items()}
    access = next((k.name for k in home.links if k.kind is LinkKind.ACCESS), None)
    if access in out:
        out["own-traffic"] = out[access]
    for name, node in home.nodes.items():
        air = [out[k] for k in air_links(home, name) if k in out]
        if len(air) > 1:
            out[f"air:{name}"] = frozenset().union(*air)
        if node.kind in BOXES:
            for kind in ("node", "forward"):
                out[f"{kind}:{name}"] = frozenset(pseudo_crossing(f"{kind}:{name}", sessions).along.tolist())
            if node.kind in (NodeKind.ROUTER, NodeKind.GATEWAY):
                # Its next link outward; a gateway's modem is inside, so its own packets meet it too.
                routed = {
                    i for i, s in enumerate(sessions) for k in s.path.links
                    if k.near == name and k.kind in (LinkKind.WIRED, LinkKind.ACCESS)
                    and (i in out[f"forward:{name}"] or node.kind is NodeKind.GATEWAY)
                }  # fmt: skip
                out[f"route:{name}"] = frozenset(routed)
    for name in dict.fromkeys(name for session in sessions for name in _ends(home, session)):
        out[name] = frozenset(pseudo_crossing(name, sessions).along.tolist())
    return {name: column for name, column in out.items() if column}


def _ends(home: Home, session: Session) -> tuple[str, str]:
    """The elements at its two ends: the machine that asks, and what answers."""
    key = session.key
    if key.method is Method.LOOKUP:
        return f"host:{key.agent}", f"resolver:{key.target}"
    return f"host:{key.agent}", f"{'destination' if key.target in home.peers else 'reply'}:{key.target}"


def group_of(element: str, scenario: Scenario, sessions: Sequence[Session]) -> frozenset[str]:
    """The elements whose sessions are the same as the element's, itself included.

    Counters tell own traffic from the line, and an agent's own readings tell its host from its link: what
    other evidence tells apart is not in the group.
    """
    all_columns = columns(scenario, sessions)
    own = all_columns.get(element)
    same = {name for name, column in all_columns.items() if own is not None and column == own}
    if scenario.counters and element != "own-traffic":
        same.discard("own-traffic")
    if scenario.counters and element == "own-traffic":
        same = {element}
    if not element.startswith("host:"):
        same = {name for name in same if not name.startswith("host:")}
    return frozenset(same | {element})
