"""Draws faults of every cause, size and rhythm, with their labels."""

from collections.abc import Callable, Iterator

import numpy as np
from msgspec import Struct, field

from paper_home.crossings import air_links
from paper_home.homes import PaperHome
from suite.case import Label
from whichhop.lab.scenario import Effect, Fault, FaultWay, Quirk, QuirkKind
from whichhop.model import LINK_TABLE, Cause, Home, LinkKind, Medium, NodeKind

MS = 1e-3
LEAST_SEEN_S = 20.0
"""Two ticks: what shows for less than that is asked of nobody."""
BOXES = {NodeKind.ROUTER, NodeKind.GATEWAY, NodeKind.MESH_NODE, NodeKind.ACCESS_POINT, NodeKind.SWITCH}


class Shape(Struct, frozen=True, kw_only=True):
    """How the faults of one kind of element look: shares of shapes, and ranges of log-uniform sizes.

    delay_s: added round trip. loss: share of round trips lost. The rest of the shares is whole outages.
    """

    delay: float
    loss: float
    both: float
    delay_s: tuple[float, float]
    loss_ratio: tuple[float, float] = (0.06, 0.6)


RADIO = Shape(delay=0.40, loss=0.20, both=0.34, delay_s=(22 * MS, 200 * MS))
CABLE = Shape(delay=0.08, loss=0.65, both=0.15, delay_s=(8 * MS, 80 * MS))
ACCESS = Shape(delay=0.38, loss=0.22, both=0.30, delay_s=(10 * MS, 200 * MS))
BEYOND = Shape(delay=0.45, loss=0.25, both=0.25, delay_s=(10 * MS, 150 * MS))
AIR = Shape(delay=0.40, loss=0.10, both=0.50, delay_s=(24 * MS, 180 * MS))
NODE = Shape(delay=0.15, loss=0.40, both=0.20, delay_s=(10 * MS, 120 * MS))
DESTINATION = Shape(delay=0.40, loss=0.25, both=0.20, delay_s=(12 * MS, 200 * MS), loss_ratio=(0.1, 0.7))
REPLY = Shape(delay=0.60, loss=0.30, both=0.10, delay_s=(12 * MS, 200 * MS), loss_ratio=(0.15, 0.8))
RESOLVER = Shape(delay=0.50, loss=0.30, both=0.10, delay_s=(150 * MS, 1500 * MS), loss_ratio=(0.3, 0.9))

# How often each cause is drawn: what practitioners meet, common practice.
WEIGHTS: dict[Cause, float] = {
    Cause.WIRELESS_HOP: 5,
    Cause.BACKHAUL: 4,
    Cause.WIRED_LAN: 1.5,
    Cause.HOME_NODE: 1.5,
    Cause.OWN_TRAFFIC: 3,
    Cause.UPSTREAM_LINK: 3,
    Cause.BEYOND: 2,
    Cause.DESTINATION: 1,
    Cause.RESPONDER: 1,
    Cause.NAME_SERVICE: 1,
}


class Setting(Struct, kw_only=True):
    """What a recipe may change about the home and its measuring, beside faults.

    silent_s: how long before the end of the span the last packet was heard. told: see `Case`.
    """

    counters: bool
    counters_each_s: int = 10
    clocks_s: dict[str, float] = field(default_factory=dict)
    silent_s: float = 0.0
    told: Home | None = None


class Script(Struct):
    """What has been drawn so far."""

    paper: PaperHome
    rng: np.random.Generator
    columns: dict[str, frozenset[int]]
    """For each element the sessions that cross it: what nobody can see is no part of the suite."""
    faults: list[Fault]
    quirks: list[Quirk]
    labels: list[Label]
    setting: Setting

    @property
    def home(self) -> Home:
        return self.paper.home

    def places(self, cause: Cause) -> list[str]:
        """The elements of this home that may have a fault of a cause, and would be seen."""
        if cause is Cause.OWN_TRAFFIC:
            return ["own-traffic"] if "own-traffic" in self.columns else []
        if cause is Cause.NAME_SERVICE:
            found = [f"resolver:{r.name}" for r in self.home.resolvers]
        else:
            found = PLACES[cause](self.home)
        return [name for name in found if name in self.columns]

    def log_uniform(self, low: float, high: float) -> float:
        return float(np.exp(self.rng.uniform(np.log(low), np.log(high))))

    def one_of(self, names: list[str]) -> str | None:
        return names[int(self.rng.integers(0, len(names)))] if names else None


def _links(home: Home, *kinds: LinkKind) -> list[str]:
    return [k.name for k in home.links if k.kind in kinds]


# Cause of a fault -> the elements of a home that may have it.
PLACES: dict[Cause, Callable[[Home], list[str]]] = {
    Cause.WIRELESS_HOP: lambda h: _links(h, LinkKind.WIRELESS),
    Cause.BACKHAUL: lambda h: _links(h, LinkKind.BACKHAUL),
    Cause.WIRED_LAN: lambda h: _links(h, LinkKind.WIRED),
    Cause.HOME_NODE: lambda h: [
        *(f"node:{n}" for n, node in h.nodes.items() if node.kind in BOXES),
        *(f"air:{n}" for n in h.nodes if len(air_links(h, n)) > 1),
    ],
    Cause.UPSTREAM_LINK: lambda h: _links(h, LinkKind.ACCESS),
    Cause.BEYOND: lambda h: _links(h, LinkKind.BEYOND),
    Cause.DESTINATION: lambda h: [f"destination:{a}" for a in h.peers],
    Cause.RESPONDER: lambda h: [
        f"reply:{n}"
        for n, node in h.nodes.items()
        if node.address and not node.agent and node.kind not in (NodeKind.HOST, NodeKind.PEER)
    ],
}


def shape_of(home: Home, element: str) -> Shape:
    """How faults of an element look."""
    kind = element.partition(":")[0] if ":" in element else ""
    pseudo = {"air": AIR, "node": NODE, "destination": DESTINATION, "reply": REPLY, "resolver": RESOLVER}
    if kind in pseudo:
        return pseudo[kind]
    link = home.link(element)
    if link.kind is LinkKind.WIRELESS:
        return RADIO
    if link.kind is LinkKind.BACKHAUL:
        return CABLE if link.medium is Medium.ETHERNET else RADIO
    return {LinkKind.WIRED: CABLE, LinkKind.ACCESS: ACCESS, LinkKind.BEYOND: BEYOND}[link.kind]


def draw_effect(script: Script, shape: Shape) -> tuple[Effect, str]:
    """An effect of a shape, and its size in words."""
    rng = script.rng
    pick = rng.random()
    delays = pick < shape.delay or pick >= shape.delay + shape.loss
    loses = pick >= shape.delay
    if pick >= shape.delay + shape.loss + shape.both:
        return Effect(outage=True), "outage"
    way = (FaultWay.BOTH, FaultWay.BOTH, FaultWay.UP, FaultWay.DOWN)[int(rng.integers(0, 4))]
    each = 0.5 if way is FaultWay.BOTH else 1.0
    added = script.log_uniform(*shape.delay_s) if delays else 0.0
    lost = script.log_uniform(*shape.loss_ratio) if loses else 0.0
    steady = rng.uniform(0.3, 0.8)
    one_way_loss = 1 - (1 - lost) ** each
    burst = None
    if lost > 0 and rng.random() < 0.4:
        # Two-state chain with this share of losses: p / (p + r).
        r = rng.uniform(0.2, 0.6)
        burst = (float(min(1.0, r * one_way_loss / (1 - one_way_loss))), float(r))
    # Delay held against the shape's own range, loss against a quarter.
    small = added < 2 * shape.delay_s[0] and lost < 0.15
    large = added > 0.5 * shape.delay_s[1] or lost > 0.3
    effect = Effect(
        delay_s=added * each * steady,
        jitter_s=added * each * (1 - steady),
        loss_ratio=0.0 if burst else one_way_loss,
        burst=burst,
        way=way,
    )
    return effect, "small" if small else "large" if large else "middling"


def rhythm_of(script: Script, at_s: float) -> tuple[str, list[tuple[float, float]]]:
    """A rhythm's name and its (start, seconds) pieces."""
    rng = script.rng
    pick = rng.random()
    if pick < 0.65:
        return "steady", [(at_s, script.log_uniform(60, 900))]
    pieces = []
    if pick < 0.82:
        for _ in range(int(rng.integers(3, 8))):
            pieces.append((at_s, 20.0))
            at_s += 20.0 + rng.uniform(25, 55)
        return "20 s bursts", pieces
    if pick < 0.97:
        end = at_s + rng.uniform(120, 400)
        while at_s < end:
            on = rng.uniform(6, 20)
            pieces.append((at_s, on))
            at_s += on + rng.uniform(5, 20)
        return "flapping", pieces
    return "short", [(at_s, rng.uniform(35, 60))]


def add_fault(script: Script, cause: Cause, at_s: float) -> float:
    """Draw one fault of a cause from `at_s` on; returns when it ends, `at_s` itself when it has no place."""
    if cause is Cause.OWN_TRAFFIC:
        return add_own_traffic(script, at_s)
    element = script.one_of(script.places(cause))
    if element is None:
        return at_s
    effect, size = draw_effect(script, shape_of(script.home, element))
    rhythm, pieces = rhythm_of(script, at_s)
    if effect.outage and cause is Cause.UPSTREAM_LINK:
        # A modem that trains again is back within two minutes.
        rhythm, pieces = "retrain", [(at_s, float(script.rng.uniform(30, 120)))]
    script.faults.extend(
        Fault(at_s=start, for_s=seconds, element=element, cause=cause, effect=effect)
        for start, seconds in pieces
    )
    end = pieces[-1][0] + pieces[-1][1]
    script.labels.append(
        Label(start_s=at_s, end_s=end, element=element, cause=cause, rhythm=rhythm, size=size)
    )
    return end


def queue_up_s(paper: PaperHome) -> float:
    """Depth of the uplink's queue, seconds."""
    access = next(k for k in paper.home.links if k.kind is LinkKind.ACCESS)
    return paper.natures[access.name].queue_s


def add_own_traffic(script: Script, at_s: float) -> float:
    """The home fills its own line; the downlink's queue counts only where it is deep enough to be felt."""
    depth = queue_up_s(script.paper)
    down = script.rng.random() < 0.35 and depth / 3 > 0.03
    kind = QuirkKind.TRAFFIC_DOWN if down else QuirkKind.TRAFFIC_UP
    lasts = script.log_uniform(60, 900)
    size = float(script.rng.uniform(0.97, 1.1))
    script.quirks.append(Quirk(at_s=at_s, for_s=lasts, kind=kind, element="own-traffic", size=size))
    words = "small" if depth < 0.06 else "middling" if depth < 0.2 else "large"
    script.labels.append(
        Label(
            start_s=at_s, end_s=at_s + lasts, element="own-traffic", cause=Cause.OWN_TRAFFIC,
            rhythm="steady", size=words,
        )
    )  # fmt: skip
    return at_s + lasts


def causes_of(script: Script) -> list[Cause]:
    """The causes that have a place in a home; the order is that of the table."""
    return [c for c in (*PLACES, Cause.NAME_SERVICE, Cause.OWN_TRAFFIC) if script.places(c)]


def link_cause(home: Home, element: str) -> Cause:
    """The cause that a fault of a link has."""
    return LINK_TABLE[home.link(element).kind].cause


def moments(script: Script, seconds: float, *, first_s: float, gap_s: float) -> Iterator[float]:
    """Beginnings of faults: 5 minutes and an exponential time of mean `gap_s` after the last one's end."""
    at = first_s + script.rng.exponential(gap_s) * 0.3
    while at < seconds - 1200:
        yield at
        last = max((label.end_s for label in script.labels), default=at)
        at = max(at, last) + 300 + script.rng.exponential(gap_s)


def drawn(script: Script, causes: list[Cause]) -> Cause:
    """One of the causes, as often as they are met."""
    weights = np.array([WEIGHTS[c] for c in causes])
    return causes[int(script.rng.choice(len(causes), p=weights / weights.sum()))]


def tells_apart(script: Script, one: Label, two: Label) -> bool:
    """Whether two faults at once differ in the sessions that feel them, or in what no own traffic does.

    The home's own traffic delays and hardly loses, so a line that also loses is a second fault to be seen.
    """
    if script.columns.get(one.element) != script.columns.get(two.element):
        return True
    line = one if two.cause is Cause.OWN_TRAFFIC else two
    if Cause.OWN_TRAFFIC not in (one.cause, two.cause) or line.cause is Cause.OWN_TRAFFIC:
        return False
    return any(
        f.element == line.element and f.at_s >= line.start_s and _loses(f.effect) >= 0.15
        for f in script.faults
    )


def beneath_an_outage(script: Script, label: Label) -> bool:
    """Whether whatever crosses an element was lost elsewhere nearly all the time that it was at fault.

    Nobody can tell what a dead link would have delayed, and a home uses no line that it cannot reach.
    """
    own = script.columns.get(label.element, frozenset())
    out = sorted(
        (max(f.at_s, label.start_s), min(f.at_s + f.for_s, label.end_s))
        for f in script.faults
        if f.effect.outage
        and f.element != label.element
        and f.at_s < label.end_s
        and f.at_s + f.for_s > label.start_s
        and own <= script.columns.get(f.element, frozenset())
    )
    seen_s, at_s = 0.0, label.start_s
    for begin_s, end_s in [*out, (label.end_s, label.end_s)]:
        seen_s += max(0.0, begin_s - at_s)
        at_s = max(at_s, end_s)
    return bool(own and out) and seen_s < LEAST_SEEN_S


def _loses(effect: Effect) -> float:
    """Share of packets that an effect loses in one direction."""
    p, r = effect.burst or (0.0, 1.0)
    return 1.0 if effect.outage else max(effect.loss_ratio, p / (p + r))
