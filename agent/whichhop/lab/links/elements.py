"""Where in an emulated home a fault acts: an element's name to the directions of links, or to a node."""

from collections.abc import Iterable
from enum import StrEnum

from msgspec import Struct
from msgspec.structs import replace

from whichhop.errors import DataError
from whichhop.lab.links.impairment import touches
from whichhop.lab.scenario import Effect, FaultWay
from whichhop.model import BEYOND, Home, Link, LinkKind, Medium, Node, NodeKind


class Where(StrEnum):
    """The kinds of element whose faults are not a link's."""

    AIR = "air"
    """The radio around an access point: every radio link of that node at once."""
    NODE = "node"
    """Whatever a node sends on, as if its processor were slow."""
    HOST = "host"
    """The programs of a node: stopped for `delay` of every second, or altogether for `outage`."""
    DESTINATION = "destination"
    """One peer alone, apart from all else that lies beyond."""
    REPLY = "reply"
    """A node's own echo replies, not what it forwards: delay, loss or outage."""


class Spot(Struct, frozen=True, kw_only=True):
    """An element understood: a kind with a node, or a link (kind None)."""

    kind: Where | None
    name: str

    @property
    def element(self) -> str:
        """The name that the comparer and the truth use."""
        return self.name if self.kind is None else f"{self.kind}:{self.name}"


def find_spot(home: Home, element: str) -> Spot:
    """What an element's name means in this home; DataError lists what there is."""
    if any(link.name == element for link in home.links):
        return Spot(kind=None, name=element)
    word, colon, name = element.partition(":")
    if colon and word in set(Where) and name in (home.peers if word == Where.DESTINATION else home.nodes):
        return Spot(kind=Where(word), name=name)
    links = ", ".join(link.name for link in home.links)
    raise DataError(
        f"{element!r} is no element of {home.name}; links: {links}; or {', '.join(Where)} with :NODE, "
        f"nodes: {', '.join(home.nodes)}"
    )


def check_effect(spot: Spot, effect: Effect) -> None:
    """DataError when an element cannot have this effect."""
    rest = Effect(way=effect.way)
    if spot.kind is Where.HOST and replace(effect, delay_s=0.0, outage=False) != rest:
        raise DataError(f"host:{spot.name} can only be stopped: use delay (of every second) or outage")
    if spot.kind is Where.HOST and effect.delay_s >= 1:
        raise DataError(f"host:{spot.name}: a delay of every second must be under 1s; use outage")
    own = replace(effect, delay_s=0.0, jitter_s=0.0, loss_ratio=0.0, outage=False)
    if spot.kind is Where.REPLY and own != Effect():
        raise DataError(f"reply:{spot.name} can only answer late or not: use delay, jitter, loss or outage")


def _acts(spot: Spot, link: Link, way: FaultWay) -> bool:
    """True when a fault at `spot` acts on packets that go `way` over a link."""
    if spot.kind is None:
        return link.name == spot.name
    if spot.kind is Where.DESTINATION:
        return link.name == peer_wire(spot.name)
    if spot.kind is Where.AIR:
        return link.medium is Medium.RADIO and spot.name in (link.near, link.far)
    if spot.kind is Where.NODE:
        return (link.near if way is FaultWay.UP else link.far) == spot.name
    return False


def own_replies(faults: Iterable[tuple[Spot, Effect]], node: str) -> list[Effect]:
    """The effects at work on a node's own echo replies."""
    return [e for spot, e in faults if spot.kind is Where.REPLY and spot.name == node]


def effects_on(faults: Iterable[tuple[Spot, Effect]], link: Link, way: FaultWay) -> list[Effect]:
    """The effects at work on one direction of a link, each turned into one for that direction."""
    return [
        replace(effect, way=way) for spot, effect in faults if touches(effect, way) and _acts(spot, link, way)
    ]


def peer_wire(peer: str) -> str:
    """The name of the wire that joins one peer to what lies beyond: there one destination fails alone."""
    return f"{BEYOND}/{peer}"


def as_built(home: Home) -> Home:
    """The same home with a node where the peers meet, "beyond" leading to it, and a wire to each."""
    links: list[Link] = []
    for link in home.links:
        # The model joins a link of this kind to every peer at once; a real wire has two ends.
        links.append(replace(link, kind=LinkKind.WIRED, far=BEYOND) if link.kind is LinkKind.BEYOND else link)
    if not home.peers:
        return replace(home, links=tuple(links))
    meeting = Node(name=BEYOND, kind=NodeKind.SWITCH)
    wires = [Link(name=peer_wire(a), near=BEYOND, far=a, kind=LinkKind.WIRED) for a in home.peers]
    return replace(home, nodes={**home.nodes, BEYOND: meeting}, links=(*links, *wires), peers=())
