"""The rate that each node of the home usually has, from transfers, for the rooms' list."""

from collections.abc import Iterable

from whichhop.capacity.transfers import Measured, measured_of, transfers_of
from whichhop.model import PROVIDER_EDGE, Home, Reading
from whichhop.model.bulletin import RoomRate
from whichhop.model.transfer import figure_of

FIGURES = ("rate_bps", "at_least")
FAR_OUT = 0


def is_of_transfer(reading: Reading) -> bool:
    """Whether a reading is one that `room_rates` understands."""
    figure = figure_of(reading.name)
    return figure is not None and figure.name in FIGURES


def _depth(home: Home, name: str) -> int:
    """Links to the router; what lies upstream, such as a peer or a server, counts as out."""
    node = home.nodes.get(name)
    if node is None or name in home.peers or name == PROVIDER_EDGE:
        return FAR_OUT
    path = home.path(name, home.root)
    return len(path.links) if path is not None else FAR_OUT


def _ends(home: Home, agent: str, other_end: str) -> tuple[str, str, dict[str, str]]:
    """The end further from the provider, the other one, and each way's name as that end sees it."""
    if _depth(home, other_end) > _depth(home, agent):
        return other_end, agent, {"out": "back", "back": "out"}
    return agent, other_end, {"out": "out", "back": "back"}


def room_rates(home: Home, readings: Iterable[Reading]) -> tuple[RoomRate, ...]:
    """A row for each node that a transfer was made to or from, in the home file's order.

    The node is the end further from the provider. The pair of ends that was measured last counts, with what
    all its transfers come to (capacity/transfers.py), so that one bad moment is not taken for the room.
    """
    kept = [r for r in readings if is_of_transfer(r)]
    newest: dict[str, tuple[int, str, str]] = {}
    for one in transfers_of(kept):
        inner = _ends(home, one.agent, one.other_end)[0]
        newest[inner] = max(newest.get(inner, (-1, "", "")), (one.at_ns, one.agent, one.other_end))
    sums = {(m.agent, m.other_end, m.way): m for m in measured_of(kept)}
    out = []
    for name, node in home.nodes.items():
        if name not in newest:
            continue
        at_ns, agent, end = newest[name]
        _, other, names = _ends(home, agent, end)
        found: dict[str, Measured] = {
            names[way]: sums[agent, end, way] for way in ("out", "back") if (agent, end, way) in sums
        }
        up, down = found.get("out"), found.get("back")
        out.append(
            RoomRate(
                node=name,
                room=node.room or name,
                at_ns=at_ns,
                other_end=other,
                up_bps=up.rate_bps if up is not None else None,
                down_bps=down.rate_bps if down is not None else None,
                at_least=any(m.at_least for m in found.values()),
            )
        )
    return tuple(out)
