"""The transfers among readings, what those of one path come to, and the rate of each room. Pure."""

from collections.abc import Iterable, Sequence
from math import comb
from statistics import median, quantiles

from msgspec import Struct

from whichhop.model import PROVIDER_EDGE, Home, Reading
from whichhop.model.bulletin import RoomRate
from whichhop.model.transfer import figure_of

APART = 0.7
"""Rates that differ by 30 % lie apart: transfers are steady within 2 %, radios wander by a tenth or two
(common practice)."""
BY_CHANCE = 0.01
"""So seldom the newest transfers would all lie apart from all older ones if nothing had changed: of n and k
in any order the chance is 1 over n + k choose k (the exact rank test's extreme)."""

FIGURES = ("rate_bps", "at_least")
FAR_OUT = 0


class Transfer(Struct, frozen=True, kw_only=True):
    """One direction of one transfer: "out" from the agent to the other end, "back" to it. TCP payload,
    bit/s."""

    at_ns: int
    agent: str
    other_end: str
    way: str
    rate_bps: float
    at_least: bool


class Measured(Struct, frozen=True, kw_only=True):
    """What the transfers of one path in one direction come to. TCP payload, bit/s.

    rate_bps: their median. low_bps, high_bps: what nine tenths of them reach, and a tenth; None: one
    transfer. at_least: something but the path was the limit of most. tests: how many. since_ns, earlier_bps:
    since when the path carries what it does, where the older transfers lie apart, and their median.
    """

    agent: str
    other_end: str
    way: str
    rate_bps: float
    at_least: bool
    tests: int = 1
    low_bps: float | None = None
    high_bps: float | None = None
    since_ns: int | None = None
    earlier_bps: float | None = None

    @property
    def sure_bps(self) -> float:
        """What nearly every transfer reaches."""
        return self.rate_bps if self.low_bps is None else self.low_bps


def transfers_of(readings: Iterable[Reading]) -> list[Transfer]:
    """Every direction of every transfer that told its rate, in the order of time."""
    found: dict[tuple[int, str, str, str], dict[str, float]] = {}
    for reading in readings:
        figure = figure_of(reading.name)
        if figure is not None and figure.name in ("rate_bps", "at_least"):
            key = (reading.at_ns, reading.agent, figure.other_end, figure.way)
            found.setdefault(key, {})[figure.name] = reading.value
    out = [
        Transfer(
            at_ns=at,
            agent=agent,
            other_end=other_end,
            way=way,
            rate_bps=figures["rate_bps"],
            at_least=bool(figures.get("at_least")),
        )
        for (at, agent, other_end, way), figures in found.items()
        if "rate_bps" in figures
    ]
    return sorted(out, key=lambda t: (t.at_ns, t.agent, t.other_end, t.way))


def lately(transfers: Sequence[Transfer]) -> int:
    """Where the newest transfers begin that all lie apart from all older ones; 0 when there is no such
    cut."""
    rates = [t.rate_bps for t in transfers]
    for cut in range(len(rates) - 1, 0, -1):
        older, newer = rates[:cut], rates[cut:]
        slower, faster = max(newer) < APART * min(older), max(older) < APART * min(newer)
        if (slower or faster) and comb(len(rates), cut) * BY_CHANCE >= 1:
            return cut
    return 0


def _tenths(rates: Sequence[float]) -> tuple[float | None, float | None]:
    if len(rates) < 2:
        return None, None
    cuts = quantiles(rates, n=10, method="inclusive")
    return cuts[0], cuts[-1]


def measured_of(readings: Iterable[Reading]) -> list[Measured]:
    """Each path's transfers in each direction, summed up over time: never the newest alone."""
    paths: dict[tuple[str, str, str], list[Transfer]] = {}
    for one in transfers_of(readings):
        paths.setdefault((one.agent, one.other_end, one.way), []).append(one)
    out = []
    for (agent, other_end, way), all_ in paths.items():
        cut = lately(all_)
        now = all_[cut:]
        # Transfers that the path limited tell what it carries, unless the others got further.
        limited = [t for t in now if not t.at_least]
        bounds = [t for t in now if t.at_least]
        told = max((limited, bounds), key=lambda some: median(t.rate_bps for t in some) if some else 0.0)
        rates = [t.rate_bps for t in told]
        low, high = _tenths(rates)
        out.append(
            Measured(
                agent=agent,
                other_end=other_end,
                way=way,
                rate_bps=median(rates),
                at_least=told is bounds,
                tests=len(rates),
                low_bps=low,
                high_bps=high,
                since_ns=now[0].at_ns if cut else None,
                earlier_bps=median(t.rate_bps for t in all_[:cut]) if cut else None,
            )
        )
    return out


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
