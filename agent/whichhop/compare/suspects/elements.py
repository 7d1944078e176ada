"""What can be at fault in a home, and which sessions would feel it: the columns of the routing matrix."""

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from enum import StrEnum

from msgspec import Struct

from whichhop.model import (
    LINK_TABLE,
    PROVIDER_EDGE,
    Cause,
    Home,
    Link,
    LinkKind,
    Medium,
    Method,
    NodeKind,
    Session,
)

OWN_TRAFFIC = "own-traffic"
"""The element that stands for the access queue being filled by the home itself."""


class Nature(StrEnum):
    """What an element is, as far as its ordinary behaviour and its faults go; see `priors.PRIORS`."""

    RADIO = "radio"
    BACKHAUL = "backhaul"
    ETHERNET = "ethernet"
    ACCESS = "access"
    BEYOND = "beyond"
    HOST = "host"
    AIR = "air"
    NODE = "node"
    FORWARDING = "forwarding"
    REPLY = "reply"
    DESTINATION = "destination"
    RESOLVER = "resolver"
    OWN_TRAFFIC = "own-traffic"


HOME_SIDE = frozenset(
    {
        Nature.RADIO,
        Nature.BACKHAUL,
        Nature.ETHERNET,
        Nature.AIR,
        Nature.NODE,
        Nature.FORWARDING,
        Nature.HOST,
    }
)
"""What in the home may be at fault."""


class Element(Struct, frozen=True, kw_only=True):
    """One possible culprit.

    name: a link's name or a pseudo-element's ("host:desk", "air:attic", "reply:router" ...).
    column: indices, in the order of the sessions given, of the sessions that it would touch.
    """

    name: str
    nature: Nature
    cause: Cause
    column: frozenset[int]
    dozes: bool = False
    """True for answers late by nobody's fault: a device on radio sleeps between packets."""
    parts: tuple[frozenset[int], ...] = ()
    """Of a box's air, the columns of its radio links."""
    twice: frozenset[int] = frozenset()
    """Of the column, the sessions that meet the element two times on one way: both hops of a box's air."""
    sways: bool = False
    """True for a line by radio, whose delay comes and goes by itself as a radio's does."""


_BY_RADIO = (Medium.FIXED_WIRELESS, Medium.SATELLITE)
"""Lines whose delay sways: LTE lets ask to send each 1 to 80 ms as the cell sees fit (3GPP TS 36.213, table
10.1.5-1) and sends again 8 ms later (TS 36.321); a satellite in a low orbit is another one within minutes."""


def _link_nature(link: Link) -> Nature:
    if link.kind is LinkKind.WIRELESS:
        return Nature.RADIO
    if link.kind is LinkKind.BACKHAUL:
        return Nature.ETHERNET if link.medium is Medium.ETHERNET else Nature.BACKHAUL
    return {
        LinkKind.WIRED: Nature.ETHERNET,
        LinkKind.ACCESS: Nature.ACCESS,
        LinkKind.BEYOND: Nature.BEYOND,
    }[link.kind]


def judged(sessions: Sequence[Session]) -> tuple[Session, ...]:
    """The sessions that may speak: those under load are slow on purpose, call streams run seldom."""
    return tuple(s for s in sessions if s.key.method not in (Method.LOADED, Method.CALL))


def _columns(met: Iterable[Iterable[str]]) -> Mapping[str, frozenset[int]]:
    """By name which sessions meet it, of what each session meets; nobody, where a name is not there.

    In one pass: a home of forty agents has 1,600 sessions, and is looked at anew for each piece of advice.
    """
    found: defaultdict[str, set[int]] = defaultdict(set)
    for i, names in enumerate(met):
        for name in names:
            found[name].add(i)
    return defaultdict(frozenset, ((name, frozenset(column)) for name, column in found.items()))


def _links(home: Home, sessions: Sequence[Session], over: Mapping[str, frozenset[int]]) -> list[Element]:
    out = []
    lone = bool(sessions) and _one_radio_asks_all(home, sessions)
    for link in {link.name: link for link in home.links}.values():
        column = over[link.name]
        # Of two packet sessions past the provider's first hop a doze delays one; a lone one may be that one.
        few = sum(sessions[i].key.method is not Method.LOOKUP for i in column) <= 1
        out.append(
            Element(
                name=link.name,
                nature=_link_nature(link),
                cause=LINK_TABLE[link.kind].cause,
                column=column,
                dozes=link.kind is LinkKind.BEYOND and few and lone,
                sways=link.kind is LinkKind.ACCESS and link.medium in _BY_RADIO,
            )
        )
        if link.kind is LinkKind.ACCESS:
            out.append(
                Element(name=OWN_TRAFFIC, nature=Nature.OWN_TRAFFIC, cause=Cause.OWN_TRAFFIC, column=column)
            )
    return out


def _air(home: Home, node: str, over: Mapping[str, frozenset[int]]) -> tuple[frozenset[int], ...]:
    """The columns of a box's radio links that are in use; empty unless there are two."""
    radio = [
        link
        for link in home.links
        if node in (link.near, link.far)
        and (
            link.kind is LinkKind.WIRELESS or (link.kind is LinkKind.BACKHAUL and link.medium is Medium.RADIO)
        )
    ]
    used = tuple(over[link.name] for link in radio if over[link.name])
    return used if len(used) > 1 else ()


def _dozes(home: Home, node: str) -> bool:
    """Whether a node is a device on radio."""
    return any(k.near == node and k.kind is LinkKind.WIRELESS for k in home.links)


def _lone_dozer(home: Home, target: str, asking: Sequence[Session]) -> bool:
    """Whether one device on radio alone asks a host: the lateness may then be the asker's own radio's."""
    host = home.nodes[target].kind is NodeKind.HOST
    return host and _one_dozer(home, asking)


def _one_dozer(home: Home, asking: Sequence[Session]) -> bool:
    """Whether there is one session alone, of a device on radio: the packet after a pause wakes its radio."""
    return len(asking) == 1 and _dozes(home, asking[0].key.agent)


def _one_radio_asks_all(home: Home, sessions: Sequence[Session]) -> bool:
    """Whether a lone device on radio is all that measures.

    The packet that wakes its radio is always the same session's, and nobody else can say that its target was
    well.
    """
    agents = {s.key.agent for s in sessions}
    return len(agents) == 1 and _dozes(home, agents.pop())


_OUTWARD = (LinkKind.WIRED, LinkKind.ACCESS)
"""What joins a router to its modem or to the line; a router's other links are their far ends'."""

_BOXES = {
    NodeKind.ROUTER,
    NodeKind.GATEWAY,
    NodeKind.MESH_NODE,
    NodeKind.ACCESS_POINT,
    NodeKind.SWITCH,
}


def _forwarding(
    home: Home, name: str, passed: frozenset[int], over: Mapping[str, frozenset[int]]
) -> dict[str, frozenset[int]]:
    """What a box does for others, apart from its own answers: all that it passes on, and of that what it
    routes between the home and the line, which a box may do badly while it joins the home's machines well.

    An all-in-one gateway has its modem inside, which serves its own packets too.
    """
    kind = home.nodes[name].kind
    if kind not in (NodeKind.ROUTER, NodeKind.GATEWAY):
        return {"forward": passed}
    outward = frozenset[int]().union(
        *(over[k.name] for k in home.links if k.near == name and k.kind in _OUTWARD)
    )
    routed = outward if kind is NodeKind.GATEWAY else outward & passed
    return {"forward": passed} if routed == passed else {"forward": passed, "route": routed}


def elements_of(home: Home, sessions: Sequence[Session]) -> tuple[Element, ...]:
    """Every element that at least one session crosses: links as written, then pseudo-elements.

    A box's air stands as an element of its own only where two of its radio links are probed; else it is
    the link itself.
    """
    over = _columns([k.name for k in s.path.links] for s in sessions)
    crossing = _columns(s.path.nodes for s in sessions)
    passed = _columns(s.path.nodes[1:-1] for s in sessions)
    out = _links(home, sessions, over)

    def add(
        name: str,
        nature: Nature,
        cause: Cause,
        column: frozenset[int],
        parts: tuple[frozenset[int], ...] = (),
    ) -> None:
        twice = frozenset(i for i in column if sum(i in p for p in parts) > 1)
        out.append(Element(name=name, nature=nature, cause=cause, column=column, twice=twice, parts=parts))

    for name, node in home.nodes.items():
        if node.kind in _BOXES:
            add(f"node:{name}", Nature.NODE, Cause.HOME_NODE, crossing[name])
            for kind, column in _forwarding(home, name, passed[name], over).items():
                # A box of which nobody asks anything is all forwarding: that is the box itself.
                if column != crossing[name]:
                    add(f"{kind}:{name}", Nature.FORWARDING, Cause.HOME_NODE, column)
            parts = _air(home, name, over)
            add(f"air:{name}", Nature.AIR, Cause.HOME_NODE, frozenset[int]().union(*parts), parts)
    # Sorted, so that the order in which sessions are given cannot change a verdict.
    for agent in sorted({s.key.agent for s in sessions}):
        column = frozenset(i for i, s in enumerate(sessions) if s.key.agent == agent)
        add(f"host:{agent}", Nature.HOST, Cause.AGENT_HOST, column)
    packets = [i for i, s in enumerate(sessions) if s.key.method is not Method.LOOKUP]
    lone = _one_radio_asks_all(home, sessions)
    for target in sorted({sessions[i].key.target for i in packets}):
        column = frozenset(i for i in packets if sessions[i].key.target == target)
        peer = target in home.peers and target != PROVIDER_EDGE
        if peer:
            out.append(
                Element(
                    name=f"destination:{target}",
                    nature=Nature.DESTINATION,
                    cause=Cause.DESTINATION,
                    column=column,
                    dozes=lone,
                )
            )
            continue
        reply = Element(
            name=f"reply:{target}",
            nature=Nature.REPLY,
            cause=Cause.RESPONDER,
            column=column,
            dozes=lone or _dozes(home, target) or _lone_dozer(home, target, [sessions[i] for i in column]),
        )
        out.append(reply)
    for target in sorted({s.key.target for s in sessions if s.key.method is Method.LOOKUP}):
        column = frozenset(
            i for i, s in enumerate(sessions) if s.key.target == target and s.key.method is Method.LOOKUP
        )
        out.append(
            Element(
                name=f"resolver:{target}",
                nature=Nature.RESOLVER,
                cause=Cause.NAME_SERVICE,
                column=column,
                dozes=_one_dozer(home, [sessions[i] for i in column]),
            )
        )
    return tuple(e for e in out if e.column)
