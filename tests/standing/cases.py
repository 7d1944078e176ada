"""The labelled cases: plain and unusual healthy homes, one or two standing faults, a laptop alone."""

from collections.abc import Callable, Mapping

import numpy as np
from msgspec import Struct
from msgspec.structs import replace
from numpy.typing import NDArray

from standing.homes import Quick, draw_home, draw_quick, elements_in, sessions_of
from standing.packets import Ill, Packets, draw_packets
from whichhop.compare.suspects.elements import Element, Nature
from whichhop.model import Home, LinkKind, Medium, NodeKind, Session

Floats = NDArray[np.float64]

KINDS = (
    "wi-fi", "host", "ethernet", "radio-backhaul", "coax", "power-line", "cable", "dsl", "fibre",
    "fixed-wireless", "satellite", "beyond", "destination", "forwarding", "air",
)  # fmt: skip

STEADY_MS: Mapping[str, float] = {
    "ethernet": 11, "host": 11, "forwarding": 11, "wi-fi": 25, "air": 25, "coax": 25, "fibre": 25,
    "radio-backhaul": 25, "power-line": 35, "cable": 50, "dsl": 95, "fixed-wireless": 120, "satellite": 450,
}  # fmt: skip
"""The smallest steady excess that must be named: what a prototype could name, and 5 ms."""
LOSS: Mapping[str, float] = {
    "cable": 0.05, "wi-fi": 0.07, "ethernet": 0.07, "dsl": 0.07, "host": 0.07, "forwarding": 0.07,
    "air": 0.07,
    "beyond": 0.07, "destination": 0.07, "radio-backhaul": 0.10, "power-line": 0.10, "coax": 0.10,
    "fibre": 0.14, "fixed-wireless": 0.10, "satellite": 0.12,
}  # fmt: skip
"""The smallest loss that must be named: what a prototype could name, and two points."""
JITTER_MS: Mapping[str, float] = {"fixed-wireless": 45, "satellite": 250}
LATE: Mapping[str, float] = {"fixed-wireless": 0.3, "satellite": 0.6}


class Case(Struct, frozen=True, kw_only=True):
    """ills: what is truly wrong; empty in health. words: which row of the table it belongs to.

    use: per second, share of the line's capacity; NaN unknown.
    """

    words: str
    kind: str
    home: Home
    sessions: tuple[Session, ...]
    elements: tuple[Element, ...]
    packets: Packets
    ills: tuple[Ill, ...]
    use: Floats


def places(home: Home, elements: tuple[Element, ...], kind: str) -> list[str]:
    """The elements of a kind."""
    pseudo = {
        "host": Nature.HOST,
        "destination": Nature.DESTINATION,
        "forwarding": Nature.NODE,
        "air": Nature.AIR,
    }
    if kind in pseudo:
        return [e.name for e in elements if e.nature is pseudo[kind]]
    links = {k.name: k for k in home.links}
    wanted: dict[str, Callable[[str], bool]] = {
        "wi-fi": lambda n: links[n].kind is LinkKind.WIRELESS,
        "ethernet": lambda n: links[n].medium is Medium.ETHERNET,
        "radio-backhaul": lambda n: links[n].kind is LinkKind.BACKHAUL and links[n].medium is Medium.RADIO,
        "beyond": lambda n: links[n].kind is LinkKind.BEYOND,
    }
    test = wanted.get(kind, lambda n: links[n].medium is not None and str(links[n].medium) == kind)
    return [e.name for e in elements if e.name in links and test(e.name)]


def _drawn_home(rng: np.random.Generator, kind: str | None, shape: str | None = None) -> Home:
    access = next(
        (
            m
            for m in Medium
            if str(m) == kind and kind in ("cable", "dsl", "fibre", "fixed-wireless", "satellite")
        ),
        None,
    )
    backhaul = {"radio-backhaul": Medium.RADIO, "coax": Medium.COAX, "power-line": Medium.POWER_LINE}.get(
        kind or ""
    )
    if backhaul is not None or kind == "air":
        shape = shape or str(rng.choice(("mesh", "two-nodes", "chain")))
    return draw_home(rng, shape, access, backhaul or (Medium.RADIO if kind == "air" else None))


def ill_of(rng: np.random.Generator, element: str, kind: str, shape: str) -> Ill:
    """A standing fault of a shape, from the smallest that must be named to three times that."""
    more = float(np.exp(rng.uniform(0, np.log(3))))
    if shape == "steady":
        return Ill(element=element, steady=STEADY_MS[kind] * more)
    if shape == "jitter":
        mean = JITTER_MS.get(kind, 15.0) * more
        return Ill(element=element, steady=0.3 * mean, jitter=mean)
    if shape == "loss":
        return Ill(element=element, lost=min(0.6, LOSS[kind] * more), burst=bool(rng.random() < 0.3))
    if shape == "late":
        stalls = (250.0, 900.0) if kind == "satellite" else (60.0, 200.0)
        return Ill(element=element, late=min(0.8, LATE.get(kind, 0.12) * more), late_ms=stalls)
    return Ill(element=element, steady=5.0, jitter=JITTER_MS.get(kind, 15.0) * more, lost=LOSS[kind])


FAULT_SHAPES = ("steady", "jitter", "loss", "late", "both")


def _case(
    rng: np.random.Generator,
    words: str,
    kind: str,
    home: Home,
    ills: tuple[Ill, ...] = (),
    change: Callable[[dict[str, Quick], Home], None] | None = None,
    seconds: int = 600,
) -> Case:
    sessions = sessions_of(home)
    elements = elements_in(home, sessions)
    quick = {e.name: draw_quick(rng, home, e) for e in elements}
    if change is not None:
        change(quick, home)
    radio = [k.name for k in home.links if k.medium is Medium.RADIO and rng.random() < 0.15]
    use, bursts = _own_use(rng, home, seconds)
    packets = draw_packets(
        rng, elements, quick, ills, sessions=len(sessions), seconds=seconds, scans=radio, bursts=bursts
    )
    return Case(
        words=words,
        kind=kind,
        home=home,
        sessions=sessions,
        elements=elements,
        packets=packets,
        ills=ills,
        use=use,
    )


def _own_use(rng: np.random.Generator, home: Home, seconds: int) -> tuple[Floats, dict[str, Floats]]:
    """Two homes in three have counters; one in four fills its line for 20 to 40 s once or twice."""
    use = np.abs(rng.normal(0.03, 0.02, seconds))
    queue = np.zeros(seconds)
    if rng.random() < 0.25:
        for _ in range(int(rng.integers(1, 3))):
            at, lasts = int(rng.integers(0, seconds - 45)), int(rng.integers(20, 41))
            use[at : at + lasts] = rng.uniform(0.85, 1.0)
            queue[at : at + lasts] = rng.uniform(20, 150)
    access = next(k.name for k in home.links if k.kind is LinkKind.ACCESS)
    if rng.random() > 2 / 3:
        use = np.full(seconds, np.nan)
    return use, {access: queue}


def fault(rng: np.random.Generator, kind: str, shape: str, home_shape: str | None = None) -> Case:
    """One standing fault."""
    while True:
        home = _drawn_home(rng, kind, home_shape)
        sessions = sessions_of(home)
        found = places(home, elements_in(home, sessions), kind)
        if found:
            break
    ill = ill_of(rng, str(rng.choice(found)), kind, shape)
    return _case(rng, f"{kind} {shape}", kind, home, (ill,))


def two_faults(rng: np.random.Generator) -> Case:
    """Two standing faults of different elements."""
    while True:
        home = _drawn_home(rng, "radio-backhaul", str(rng.choice(("mesh", "two-nodes"))))
        elements = elements_in(home, sessions_of(home))
        kinds = [
            str(k)
            for k in rng.choice(("wi-fi", "radio-backhaul", "cable", "host", "ethernet"), 2, replace=False)
        ]
        spots = [places(home, elements, k) for k in kinds]
        if all(spots):
            break
    ills = tuple(
        ill_of(rng, str(rng.choice(s)), k, str(rng.choice(("steady", "jitter", "loss"))))
        for k, s in zip(kinds, spots, strict=True)
    )
    return _case(rng, "two faults", "+".join(kinds), home, ills)


def healthy(rng: np.random.Generator, home_shape: str | None = None, kind: str | None = None) -> Case:
    """Nothing is wrong; `kind`: what the home shall have."""
    return _case(rng, "healthy", "healthy", _drawn_home(rng, kind, home_shape))


def _far(quick: dict[str, Quick], home: Home) -> None:
    for peer in home.peers:
        quick[f"destination:{peer}"] = replace(quick[f"destination:{peer}"], steady=120.0)


def _slow_replies(quick: dict[str, Quick], home: Home) -> None:
    for name, q in quick.items():
        node = home.nodes.get(name.partition(":")[2])
        if (
            name.startswith("reply:")
            and node is not None
            and node.kind in (NodeKind.ROUTER, NodeKind.GATEWAY, NodeKind.MESH_NODE)
            and not node.agent
        ):
            quick[name] = replace(q, steady=q.steady + 6.0, often=0.1, often_ms=8.0)


def _line(more_ms: float) -> Callable[[dict[str, Quick], Home], None]:
    def change(quick: dict[str, Quick], home: Home) -> None:
        for link in home.links:
            if link.kind is LinkKind.ACCESS:
                quick[link.name] = replace(quick[link.name], steady=quick[link.name].steady + more_ms)

    return change


def _slow_power_line(quick: dict[str, Quick], home: Home) -> None:
    for link in home.links:
        if link.medium is Medium.POWER_LINE:
            quick[link.name] = replace(quick[link.name], steady=16.0, even=4.0, often=0.12, often_ms=6.0)


def _interleaved(quick: dict[str, Quick], home: Home, level_ms: float) -> None:
    for link in home.links:
        if link.medium is Medium.DSL:
            quick[link.name] = replace(quick[link.name], steady=level_ms)


UNUSUAL: Mapping[str, Callable[[np.random.Generator], Case]] = {
    "far servers": lambda r: _case(r, "far servers +120", "unusual", _drawn_home(r, None), change=_far),
    "satellite": lambda r: _case(r, "satellite", "unusual", _drawn_home(r, "satellite")),
    "interleaved": lambda r: _case(
        r, "interleaved DSL", "unusual", _drawn_home(r, "dsl"),
        change=lambda q, h: _interleaved(q, h, float(r.uniform(32, 46))),
    ),
    "slow power line": lambda r: _case(
        r, "slow power line", "unusual", _drawn_home(r, "power-line"), change=_slow_power_line
    ),
    "slow replies": lambda r: _case(r, "slow replies", "unusual", _drawn_home(r, None), change=_slow_replies),
    "line +15": lambda r: _case(r, "line +15 ms", "unusual", _drawn_home(r, "cable"), change=_line(15.0)),
}  # fmt: skip
