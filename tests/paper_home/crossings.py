"""Which sessions meet an element, and on which leg of the round trip a direction at the element is met."""

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt
from msgspec import Struct

from whichhop.lab.scenario import FaultWay
from whichhop.model import Home, LinkKind, Medium, Method, NodeKind, Session

_OUTWARD = (LinkKind.WIRED, LinkKind.ACCESS)
Rows = npt.NDArray[np.int64]


class Crossing(Struct, frozen=True, kw_only=True):
    """Rows (indices of sessions) that meet an element: `along` go up on the leg out, `against` down.

    An answer takes the same path back, so `along` meets the downward direction on the leg back.
    """

    along: Rows
    against: Rows

    def legs(self, way: FaultWay) -> tuple[Rows, Rows]:
        """The rows that meet one direction (UP or DOWN) on the leg out, and on the leg back."""
        return (self.along, self.against) if way is FaultWay.UP else (self.against, self.along)

    @property
    def rows(self) -> Rows:
        """All rows, whichever the direction."""
        return np.concatenate((self.along, self.against))


def _rows(found: Sequence[int]) -> Rows:
    return np.array(sorted(found), dtype=np.int64)


def link_crossings(sessions: Sequence[Session]) -> dict[str, Crossing]:
    """The crossing of every link by name; links of one name are one element."""
    along: dict[str, list[int]] = {}
    against: dict[str, list[int]] = {}
    for row, session in enumerate(sessions):
        for start, link in zip(session.path.nodes, session.path.links, strict=False):
            ups, downs = along.setdefault(link.name, []), against.setdefault(link.name, [])
            (ups if link.near == start else downs).append(row)
    return {n: Crossing(along=_rows(along[n]), against=_rows(against[n])) for n in along}


def air_links(home: Home, node: str) -> tuple[str, ...]:
    """The radio links that share a box's air: its stations and radio backhaul; none for a station."""
    if home.nodes[node].kind is NodeKind.HOST:
        return ()
    return tuple(
        k.name
        for k in home.links
        if node in (k.near, k.far)
        and (k.kind is LinkKind.WIRELESS or (k.kind is LinkKind.BACKHAUL and k.medium is Medium.RADIO))
    )


def pseudo_crossing(element: str, sessions: Sequence[Session], *, as_target: bool = False) -> Crossing:
    """The crossing of "host:", "node:", "forward:", "reply:", "destination:" or "resolver:" NAME; out is up.

    "forward:NAME" is met by what the box passes on, and not by what is meant for itself; "route:NAME" by what
    it passes on to its next link outward.
    as_target: whether "host:NAME" also touches the sessions of others that probe NAME.
    """
    kind, _, name = element.partition(":")

    def meets(session: Session) -> bool:
        key = session.key
        lookup = key.method is Method.LOOKUP
        if kind == "host":
            return key.agent == name or (as_target and key.target == name and not lookup)
        if kind == "node":
            return name in session.path.nodes
        if kind == "forward":
            return name in session.path.nodes[1:-1]
        if kind == "route":
            outward = any(k.near == name and k.kind in _OUTWARD for k in session.path.links)
            return outward and name in session.path.nodes[1:-1]
        if kind == "resolver":
            return lookup and key.target == name
        return kind in ("reply", "destination") and key.target == name and not lookup

    found = [row for row, session in enumerate(sessions) if meets(session)]
    return Crossing(along=_rows(found), against=_rows([]))
