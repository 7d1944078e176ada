"""Which links the vantage points can tell apart, and which extra one would help; plain integers only."""

from collections.abc import Iterator, Sequence
from fractions import Fraction

from msgspec import Struct
from msgspec.structs import replace

from whichhop.compare.suspects.elements import Element, elements_of, judged
from whichhop.model import Home, Node, NodeKind, Session, derive_sessions
from whichhop.model.home import ALLOW_A_TARGET, BEYOND, PROVIDER_EDGE, Link
from whichhop.model.links import LinkKind

COUNTING = "read the router's byte counters, so that the home's own traffic is known"
"""What tells the home's own traffic from its line, as every answer says it."""


class Advice(Struct, frozen=True, kw_only=True):
    """One vantage point more, and what it would bring.

    splits: groups, as they stand today, of which at least one member would become separable.
    sees: links that no session crosses today and that would be crossed.
    effort: 1 a line in the home file, 2 an agent on a machine that is there, 3 a peer, 4 a new machine.
    """

    words: str
    effort: int
    splits: tuple[tuple[str, ...], ...]
    sees: tuple[str, ...]


class Separation(Struct, frozen=True, kw_only=True):
    """What the routing matrix allows.

    rank: of the sessions x links matrix; equal to the number of links seen when every excess has one answer.
    groups: links with equal columns, which no packet can tell apart; only groups of two or more.
    unseen: links that no session crosses.
    advice: useful additions, cheapest and most helpful first.
    """

    links: int
    sessions: int
    rank: int
    groups: tuple[tuple[str, ...], ...]
    unseen: tuple[str, ...]
    advice: tuple[Advice, ...]


def rank_of(rows: Sequence[Sequence[int]]) -> int:
    """The exact rank of a small integer matrix by elimination over fractions; 0 for an empty one."""
    basis: dict[int, list[Fraction]] = {}  # by the place of its first value that is not 0, which is 1
    # Of many sessions most cross what others cross: equal rows add nothing, nor any once the rank is full.
    for row in dict.fromkeys(map(tuple, rows)):
        if len(basis) == len(row):
            break
        left = [Fraction(v) for v in row]
        for column in range(len(left)):
            if not left[column]:
                continue
            if column not in basis:
                basis[column] = [v / left[column] for v in left]
                break
            factor = left[column]
            left = [a - factor * b for a, b in zip(left, basis[column], strict=True)]
    return len(basis)


def groups_of(elements: Sequence[Element], spoke: frozenset[int] | None = None) -> list[tuple[str, ...]]:
    """Elements' names gathered by equal columns, in order; `spoke` limits the columns to these sessions."""
    found: dict[frozenset[int], list[str]] = {}
    for element in elements:
        column = element.column if spoke is None else element.column & spoke
        if column:
            found.setdefault(column, []).append(element.name)
    return [tuple(names) for names in found.values()]


def _links_only(home: Home, sessions: Sequence[Session]) -> list[Element]:
    names = {link.name for link in home.links}
    return [e for e in elements_of(home, sessions) if e.name in names]


def _with_node(home: Home, node: Node, links: tuple[Link, ...] = ()) -> Home:
    nodes = dict(home.nodes)
    nodes[node.name] = node
    ordered = sorted((*home.links, *links), key=lambda link: link.kind is LinkKind.BEYOND)
    return replace(home, nodes=nodes, links=tuple(ordered))


def _additions(home: Home) -> Iterator[tuple[int, str, Home]]:
    """Every place where a vantage point could be added: its effort, the words, the home that results."""
    for name, node in home.nodes.items():
        if node.kind in (NodeKind.PROVIDER_EDGE, NodeKind.PEER):
            unknown = node.address is None and not home.discover_edge
            # Alone it would be of no use: it is found on the way to a peer.
            if unknown and home.peers and node.kind is NodeKind.PROVIDER_EDGE:
                yield 1, f"let {name} be discovered", replace(home, discover_edge=True)
            continue
        if node.revoked:
            continue
        if node.address is None:
            probed = replace(node, address="(to be given)")
            yield 1, f"give the address of {name}, so that it can be probed", _with_node(home, probed)
        # What runs no program of ours: a switch, and a modem that is nothing else (common practice).
        if not node.agent and node.kind not in (NodeKind.SWITCH, NodeKind.MODEM):
            agent = replace(node, address=node.address or "(to be given)", agent=True)
            yield 2, f"run an agent on {name}", _with_node(home, agent)
    if PROVIDER_EDGE in home.nodes:
        name = "one more peer" if home.peers else "a peer"
        peer = Node(name=name, kind=NodeKind.PEER, address="(to be given)")
        past = Link(name=BEYOND, near=PROVIDER_EDGE, far=name, kind=LinkKind.BEYOND)
        # One beyond link serves all peers (see Home.neighbours).
        there = any(link.kind is LinkKind.BEYOND for link in home.links)
        more = _with_node(home, peer, () if there else (past,))
        more = replace(more, peers=(*home.peers, name))
        if home.peers:
            yield 3, f"add {name} upstream", more
        else:
            words = f"allow a target upstream, by the line `{ALLOW_A_TARGET}` in the home file"
            yield 1, words, replace(more, discover_edge=home.nodes[PROVIDER_EDGE].address is None)
    for name, node in home.nodes.items():
        if node.kind in (
            NodeKind.ROUTER,
            NodeKind.GATEWAY,
            NodeKind.MESH_NODE,
            NodeKind.SWITCH,
            NodeKind.MODEM,
        ):
            host = Node(name=f"(host at {name})", kind=NodeKind.HOST, address="(to be given)", agent=True)
            cable = Link(name=f"(cable at {name})", near=host.name, far=name, kind=LinkKind.WIRED)
            yield 4, f"wire a machine with an agent to {name}", _with_node(home, host, (cable,))


def _split(group: tuple[str, ...], after: Sequence[tuple[str, ...]]) -> bool:
    wanted = set(group)
    return not any(wanted <= set(g) for g in after)


def advice_for(
    home: Home,
    sessions: Sequence[Session],
    groups: Sequence[tuple[str, ...]],
    *,
    unseen: Sequence[str] = (),
) -> tuple[Advice, ...]:
    """What would split these groups of elements or show these unseen links, best first.

    Only additions that bring something are given; of those that bring the same, the cheapest.
    """
    if not groups and not unseen:
        return ()  # all is told apart: nothing can be added to that
    known = {s.key for s in derive_sessions(home)}
    out: list[Advice] = []
    for effort, words, bigger in _additions(home):
        more = [s for s in derive_sessions(bigger) if s.key not in known]
        # The old sessions keep their paths; only the new vantage point's are added.
        after = elements_of(bigger, (*sessions, *more))
        after_groups = groups_of(after)
        splits = tuple(g for g in groups if _split(g, after_groups))
        seen = {e.name for e in after}
        sees = tuple(name for name in unseen if name in seen)
        if splits or sees:
            out.append(Advice(words=words, effort=effort, splits=splits, sees=sees))
    out.sort(key=lambda a: (-(len(a.splits) + len(a.sees)), a.effort))
    kept: list[Advice] = []
    for one in sorted(out, key=lambda a: a.effort):
        gains = {*one.splits, *((s,) for s in one.sees)}
        if not any(gains <= {*k.splits, *((s,) for s in k.sees)} for k in kept):
            kept.append(one)
    return tuple(sorted(kept, key=out.index))


def separation(home: Home, sessions: Sequence[Session]) -> Separation:
    """Rank of the routing matrix, the links that cannot be told apart, and what would tell them apart."""
    heard = judged(sessions)
    links = _links_only(home, heard)
    rows = [[int(i in e.column) for e in links] for i in range(len(heard))]
    groups = tuple(g for g in groups_of(links) if len(g) > 1)
    unseen = tuple(
        n for n in dict.fromkeys(link.name for link in home.links) if n not in {e.name for e in links}
    )
    return Separation(
        links=len(links) + len(unseen),
        sessions=len(heard),
        rank=rank_of(rows),
        groups=groups,
        unseen=unseen,
        advice=advice_for(home, heard, groups, unseen=unseen),
    )
