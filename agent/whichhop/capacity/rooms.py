"""The newest rate that each node of the home was seen to have, from transfers, for the rooms' list."""

from collections.abc import Iterable

from whichhop.model import PROVIDER_EDGE, Home, Reading
from whichhop.model.bulletin import RoomRate

FIGURES = ("rate_bps", "at_least")
FAR_OUT = 0


def is_of_transfer(reading: Reading) -> bool:
    """Whether a reading is one that `room_rates` understands."""
    return _parts(reading) is not None


def _parts(reading: Reading) -> tuple[str, str, str] | None:
    """Way ("out" or "back"), figure and other end of a reading such as transfer_out_rate_bps:attic."""
    name, _, other_end = reading.name.partition(":")
    for way in ("out", "back"):
        figure = name.removeprefix(f"transfer_{way}_")
        if figure != name and figure in FIGURES and other_end:
            return way, figure, other_end
    return None


def _depth(home: Home, name: str) -> int:
    """Links to the way out; what lies upstream, such as a peer or a server, counts as out."""
    node = home.nodes.get(name)
    if node is None or name in home.peers or name == PROVIDER_EDGE:
        return FAR_OUT
    path = home.path(name, home.root)
    return len(path.links) if path is not None else FAR_OUT


def room_rates(home: Home, readings: Iterable[Reading]) -> tuple[RoomRate, ...]:
    """A row for each node that a transfer was made to or from, in the home file's order; the newest counts.

    The node is the end further from the provider; the other end stands beside it.
    """
    newest: dict[str, tuple[int, str, str, dict[str, float]]] = {}
    for reading in readings:
        parts = _parts(reading)
        if parts is None:
            continue
        way, figure, other_end = parts
        node, other = reading.agent, other_end
        if _depth(home, other_end) > _depth(home, reading.agent):
            node, other, way = other_end, reading.agent, {"out": "back", "back": "out"}[way]
        at_ns, _, _, figures = newest.get(node, (-1, "", "", {}))
        if (reading.at_ns, reading.agent, other) != newest.get(node, (None, None, None))[:3]:
            if reading.at_ns <= at_ns:
                continue
            figures = {}
        figures[f"{way}_{figure}"] = reading.value
        newest[node] = (reading.at_ns, reading.agent, other, figures)
    return tuple(
        RoomRate(
            node=name,
            room=node.room or name,
            at_ns=newest[name][0],
            other_end=newest[name][2],
            up_bps=newest[name][3].get("out_rate_bps"),
            down_bps=newest[name][3].get("back_rate_bps"),
            at_least=any(newest[name][3].get(f"{way}_at_least") for way in ("out", "back")),
        )
        for name, node in home.nodes.items()
        if name in newest
    )
