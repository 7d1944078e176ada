"""What was there before the first packet, what heals, and what gets better: levels, not only changes."""

from collections.abc import Iterator

import numpy as np
from msgspec.structs import replace

from paper_home import measured
from paper_home.homes import PaperHome
from paper_home.other_homes import other_home
from suite.case import Label
from suite.faults import MS, Script, link_cause
from suite.recipe import Recipe, elsewhere
from whichhop.lab.scenario import Effect, Fault, FaultWay, LinkNature
from whichhop.model import Cause, LinkKind, Medium

BEFORE_S = -60.0
"""Standing faults begin a minute before the first packet."""
# The smallest steady excess and loss, round trip, by which a standing fault of a medium can be told:
# a prototype's ten of ten at ten minutes. The line's own healthy spread hides what is smaller.
LEAST: dict[str, tuple[float, float]] = {
    "wireless": (20 * MS, 0.05),
    "radio": (20 * MS, 0.08),
    "ethernet": (6 * MS, 0.05),
    "coax": (20 * MS, 0.08),
    "power-line": (30 * MS, 0.08),
    "cable": (45 * MS, 0.03),
    "dsl": (90 * MS, 0.05),
    "fibre": (20 * MS, 0.12),
    "fixed-wireless": (120 * MS, 0.12),
    "satellite": (400 * MS, 0.12),
    "box": (8 * MS, 0.05),
}
BOX_WEIGHT = 0.3
"""Boxes that forward badly are rarer than bad links; from memory."""
MORE_S, MORE_LOSS = 5 * MS, 0.02
"""Where naming is asked for: this much above the smallest."""


def medium_of(script: Script, element: str) -> str:
    """The row of LEAST that an element belongs to."""
    if ":" in element:
        return "box"
    link = script.home.link(element)
    return "wireless" if link.kind is LinkKind.WIRELESS else str(link.medium)


def places(script: Script) -> list[str]:
    """Elements that a standing fault may have and that a session crosses; boxes only where they forward."""
    names = [k.name for k in script.home.links if k.kind is not LinkKind.BEYOND and k.name in script.columns]
    return names + [e for e in script.columns if e.startswith(("forward:", "route:"))]


def place(script: Script) -> str | None:
    """One of the places: a medium first, so that many cables do not outnumber the one line; boxes seldom."""
    by_medium: dict[str, list[str]] = {}
    for name in places(script):
        by_medium.setdefault(medium_of(script, name), []).append(name)
    media = list(by_medium)
    if not media:
        return None
    weights = np.array([BOX_WEIGHT if m == "box" else 1.0 for m in media])
    return script.one_of(by_medium[media[int(script.rng.choice(len(media), p=weights / weights.sum()))]])


def cause_of(script: Script, element: str) -> Cause:
    """Whose fault it is."""
    return Cause.HOME_NODE if ":" in element else link_cause(script.home, element)


def also(element: str) -> frozenset[str]:
    """Other names under which an element may rightly be named."""
    _, colon, name = element.partition(":")
    return frozenset({f"node:{name}", f"forward:{name}"} - {element}) if colon else frozenset()


# Shape -> (multiple of the least excess, multiple of the least loss, share of the excess that is jitter).
SHAPES: dict[str, tuple[float, float, float]] = {
    "steady": (1.0, 0.0, 0.0),
    "steady, half more": (1.5, 0.0, 0.0),
    "steady, thrice": (3.0, 0.0, 0.0),
    "jittering": (1.0, 0.0, 1.0),
    "jittering, twice": (2.0, 0.0, 1.0),
    "half and half": (1.5, 0.0, 0.5),
    "one way": (1.5, 0.0, 0.3),
    "loss": (0.0, 1.0, 0.0),
    "loss, twice": (0.0, 2.0, 0.0),
    "loss, four times": (0.0, 4.0, 0.0),
    "loss in bursts": (0.0, 2.0, 0.0),
    "both": (1.0, 1.0, 0.5),
    "tail": (0.0, 0.0, 0.0),
}


def effects(script: Script, element: str, shape: str, size: float = 1.0) -> Effect:
    """The effect of a shape at an element; `size` scales it, and 1 is where naming is asked for."""
    least_s, least_loss = LEAST[medium_of(script, element)]
    times, losses, jitter = SHAPES[shape]
    added = times * (least_s + MORE_S) * size if times else 0.0
    lost = min(0.8, losses * (least_loss + MORE_LOSS) * size) if losses else 0.0
    way = FaultWay.UP if shape == "one way" else FaultWay.BOTH
    share = 1.0 if way is not FaultWay.BOTH else 0.5
    one_way = 1 - (1 - lost) ** share
    burst = None
    if shape == "loss in bursts":
        r = 0.3
        burst = (float(r * one_way / (1 - one_way)), r)
    return Effect(
        delay_s=added * share * (1 - jitter),
        jitter_s=added * share * jitter,
        loss_ratio=0.0 if burst else one_way,
        burst=burst,
        way=way,
    )


def tail(
    element: str, start_s: float, end_s: float, cause: Cause, rng: np.random.Generator
) -> Iterator[Fault]:
    """A radio's bad stretch as measured: the median moves by 2.4 ms, the 95th percentile by 39 ms."""
    whole = Effect(delay_s=0.6 * MS, jitter_s=0.6 * MS, loss_ratio=0.003)
    yield Fault(at_s=start_s, for_s=end_s - start_s, element=element, cause=cause, effect=whole)
    at = start_s
    while at < end_s:
        # A tenth of the time: bursts of 0.25 to 1.6 s, each some seven.
        lasts = float(np.exp(rng.uniform(np.log(0.25), np.log(1.6))))
        effect = Effect(jitter_s=measured.BUSY_JITTER_S, loss_ratio=0.02)
        yield Fault(at_s=at, for_s=min(lasts, end_s - at), element=element, cause=cause, effect=effect)
        at += lasts + float(rng.exponential(6.0))


def stand(script: Script, element: str, shape: str, until_s: float, *, size: float = 1.0) -> Label:
    """Script one standing fault until a time, and return its label."""
    cause = cause_of(script, element)
    if shape == "tail":
        script.faults.extend(tail(element, BEFORE_S, until_s, cause, script.rng))
    else:
        effect = effects(script, element, shape, size)
        script.faults.append(
            Fault(at_s=BEFORE_S, for_s=until_s - BEFORE_S, element=element, cause=cause, effect=effect)
        )
    label = Label(
        start_s=0.0,
        end_s=until_s,
        element=element,
        cause=cause,
        rhythm=f"standing {medium_of(script, element)}",
        size=shape,
        accept=also(element),
        slack_s=0.0,
    )
    script.labels.append(label)
    return label


def _shape_for(script: Script, element: str) -> str:
    """A shape that is a fault of that element: a radio's tail is nothing that a cable has."""
    radio = medium_of(script, element) in ("wireless", "radio")
    names = [s for s in SHAPES if radio or s != "tail"]
    return names[int(script.rng.integers(0, len(names)))]


def _standing(script: Script, seconds: float) -> None:
    element = place(script)
    if element is not None:
        stand(script, element, _shape_for(script, element), seconds)


def _standing_small(script: Script, seconds: float) -> None:
    """Below what packets can tell: silence is right, the true name is right, every other name is wrong."""
    element = place(script)
    if element is None:
        return
    shape = ("steady", "jittering", "loss")[int(script.rng.integers(0, 3))]
    stand(script, element, shape, seconds, size=float(script.rng.uniform(0.1, 0.5)))
    script.labels[-1] = replace(script.labels[-1], harmless=True)


def _heals(script: Script, seconds: float) -> None:
    """Backhaul, radio or line at fault from the first packet; healed after forty minutes."""
    kinds = (LinkKind.BACKHAUL, LinkKind.WIRELESS, LinkKind.ACCESS)
    kind = kinds[int(script.rng.integers(0, 3))]
    found = [k.name for k in script.home.links if k.kind is kind and k.name in script.columns]
    element = script.one_of(found) or place(script)
    if element is not None:
        shapes = ("steady", "steady, half more", "steady, thrice", "both", "loss, twice")
        stand(script, element, shapes[int(script.rng.integers(0, 5))], min(2400.0, seconds - 900))


def _better(script: Script, element: str, by_s: float, start_s: float, end_s: float) -> None:
    """Until `start_s` and from `end_s` on the element is slower by `by_s` round trip than between."""
    cause = cause_of(script, element)
    effect = Effect(delay_s=by_s / 2)
    for at, until in ((BEFORE_S, start_s), (end_s, end_s + 86_400.0)):
        script.faults.append(Fault(at_s=at, for_s=until - at, element=element, cause=cause, effect=effect))


def _told_after(script: Script, element: str, at_s: float) -> None:
    """What came before an improvement may be told about the past; whatever begins after it is false."""
    script.labels.append(
        Label(
            start_s=0.0, end_s=at_s, element=element, cause=cause_of(script, element), rhythm="improvement",
            size="before", accept=also(element), harmless=True, slack_s=-10.0,
        )
    )  # fmt: skip


def _line(script: Script) -> str:
    return next(k.name for k in script.home.links if k.kind is LinkKind.ACCESS)


def _faster_line(script: Script, seconds: float) -> None:
    at = float(script.rng.uniform(0.3, 0.6)) * seconds
    _better(script, _line(script), float(script.rng.uniform(0.012, 0.020)), at, 2 * seconds)
    _told_after(script, _line(script), at)


def _faster_briefly(script: Script, seconds: float) -> None:
    """For three minutes only: neither the better time nor the return is a fault."""
    at = float(script.rng.uniform(0.3, 0.6)) * seconds
    _better(script, _line(script), float(script.rng.uniform(0.012, 0.020)), at, at + 180.0)


def _faster_hop(script: Script, seconds: float) -> None:
    """Any link gets better by a little, for good."""
    element = place(script)
    if element is not None:
        at = float(script.rng.uniform(0.3, 0.6)) * seconds
        by_s = float(script.rng.uniform(0.2, 0.6)) * LEAST[medium_of(script, element)][0]
        _better(script, element, by_s, at, 2 * seconds)
        _told_after(script, element, at)


def _both_radios(script: Script, seconds: float) -> None:
    """Every radio hop of the machines is bad from the start: 95th percentile some 49 ms."""
    names = [k.name for k in script.home.links if k.kind is LinkKind.WIRELESS and k.name in script.columns]
    names = names[:2]
    airs = frozenset(e for e in script.columns if e.startswith("air:"))
    for name in names:
        label = stand(script, name, "tail", seconds)
        script.labels[-1] = replace(label, accept=frozenset(names) | airs)


def _laptop(script: Script, seconds: float) -> None:
    """One machine alone for its first two minutes; strong faults of its hop or of the line."""
    rng = script.rng
    radio = next((k.name for k in script.home.links if k.kind is LinkKind.WIRELESS), None)
    if radio is not None and rng.random() < 0.6:
        shape = ("steady, half more", "jittering, twice", "loss, twice", "both", "tail")[
            int(rng.integers(0, 5))
        ]
        stand(script, radio, shape, seconds)
        return
    shape = ("jittering, twice", "loss, twice", "loss, four times")[int(rng.integers(0, 3))]
    stand(script, _line(script), shape, seconds)


UNUSUAL = ("far", "satellite", "interleaved", "slow power line", "slow replies", "line +15", "fixed wireless")


def _unusual_home(_seed: int, rng: np.random.Generator) -> PaperHome:
    """A healthy home one of whose levels is far from the middle of its kind."""
    which = UNUSUAL[int(rng.integers(0, len(UNUSUAL)))]
    line = {
        "satellite": Medium.SATELLITE,
        "interleaved": Medium.DSL,
        "fixed wireless": Medium.FIXED_WIRELESS,
    }.get(which)
    paper = other_home(rng, plot="garage" if which == "slow power line" else None, line=line)
    natures, home = dict(paper.natures), paper.home

    def slower(name: str, by_s: float) -> None:
        old = natures.get(name, LinkNature(delay_s=0.0))
        natures[name] = replace(old, delay_s=old.delay_s + by_s / 2)

    if which == "far":
        for peer in home.peers:
            slower(f"destination:{peer}", 0.120)
    if which in ("interleaved", "line +15"):
        # Interleaving takes 2 to 20 ms one way, and two ways may have it.
        name = next(k.name for k in home.links if k.kind is LinkKind.ACCESS)
        slower(name, 0.015 if which == "line +15" else float(rng.uniform(0.016, 0.040)))
    if which == "slow power line":
        slower("garage-router", float(rng.uniform(0.005, 0.012)))
    if which == "slow replies":
        for name, node in home.nodes.items():
            if node.address and not node.agent and name not in home.peers:
                slower(f"reply:{name}", float(rng.uniform(0.010, 0.060)))
    return PaperHome(home=home, natures=natures)


def nothing(_script: Script, _seconds: float) -> None:
    """Natural noise only."""


STANDING: dict[str, Recipe] = {
    "standing": Recipe(fill=_standing, hours=0.25, home=elsewhere()),
    "standing-small": Recipe(fill=_standing_small, hours=0.25, home=elsewhere()),
    "heals": Recipe(fill=_heals, hours=1.25, home=elsewhere()),
    "faster-line": Recipe(fill=_faster_line, hours=2.0, home=elsewhere()),
    "faster-briefly": Recipe(fill=_faster_briefly, hours=2.0, home=elsewhere()),
    "faster-hop": Recipe(fill=_faster_hop, hours=2.0, home=elsewhere()),
    "both-radios": Recipe(fill=_both_radios, hours=0.5, home=elsewhere()),
    "laptop-alone": Recipe(fill=_laptop, hours=1 / 24, home=elsewhere(plot="lone")),
    "unusual": Recipe(fill=nothing, hours=0.5, home=_unusual_home),
}
