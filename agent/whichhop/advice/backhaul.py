"""Wiring a mesh node's backhaul: from the measured rate to what Ethernet, coax or power line would carry."""

from collections.abc import Iterator

from whichhop.advice.facts import (
    HomeFacts,
    carried,
    fair_plan,
    of,
    transfer_words,
    transfers_over,
    trouble,
    trouble_words,
)
from whichhop.advice.step import Recommendation, RecommendationKind, RecommendedGain, Way
from whichhop.cabling.cautions import Hazard, cautions_for
from whichhop.cabling.rates import ADAPTERS, ethernet_bps
from whichhop.capacity.links import DOWN, SAME, UP, LinkCapacity
from whichhop.model import PROVIDER_EDGE, Cause, Link, LinkKind, Medium
from whichhop.model.cable_run import Adapter
from whichhop.model.inner_cause import Cost, Effort

USUAL_PORT_BPS = 1e9
"""A port whose rate nobody wrote down is taken for the usual one; the step says so."""
WIRING = (Hazard.WALL, Hazard.CARPET, Hazard.CRAWL, Hazard.LADDER, Hazard.MAINS)


def _port_bps(known: HomeFacts, link: Link) -> tuple[float, str]:
    ports = [b.port_bps for b in known.boxes if b.node in (link.near, link.far) and b.port_bps]
    if ports:
        return min(ports), f"the {min(ports) / 1e6:g} Mbit/s ports at its ends"
    return USUAL_PORT_BPS, "1000 Mbit/s ports, as is usual; look at yours"


def ways_for(known: HomeFacts, link: Link) -> tuple[Way, ...]:
    """The media that could carry the link instead, the surest first; adapters' rates are common practice."""
    port, port_words = _port_bps(known, link)
    most = ethernet_bps(port)
    cable = Way(
        words=f"an Ethernet cable from {link.near} to {link.far}, at most {most / 1e6:.0f} Mbit/s each way "
        f"through {port_words}",
        ceiling_bps=most,
        low_bps=most,
        effort=Effort.HOURS,
        cost=Cost.SMALL,
        hazards=WIRING,
    )
    out = [cable]
    adapters = (
        (
            Medium.COAX,
            Adapter.COAX_2500,
            "coax adapters, where coax outlets at both places hang on one splitter; a filter at the entry "
            "keeps the signal in the house",
            (Hazard.ALARM, Hazard.GROUNDING, Hazard.PROVIDER),
            Effort.HOUR,
        ),
        (
            Medium.POWER_LINE,
            Adapter.POWER_LINE_1200,
            "power line adapters, straight in wall sockets of one circuit",
            (Hazard.MAINS,),
            Effort.MINUTES,
        ),
    )
    for medium, adapter, words, hazards, effort in adapters:
        # Power line is no way out of power line; coax adapters are no way out of coax.
        if link.medium in (medium, Medium.COAX):
            continue
        usual = ADAPTERS[adapter]
        high = min(usual.high_bps, most)
        low = min(usual.low_bps, most)
        out.append(
            Way(
                words=f"{words}: {_usual(low, high)} Mbit/s, both directions together",
                ceiling_bps=high,
                low_bps=low,
                effort=effort,
                cost=Cost.MIDDLING,
                hazards=hazards,
            )
        )
    return tuple(out)


def _usual(low_bps: float, high_bps: float) -> str:
    if low_bps == high_bps:  # more than the ports let through
        return f"at most {high_bps / 1e6:.0f}"
    return f"usually {low_bps / 1e6:.0f} to {high_bps / 1e6:.0f}"


def _rest_bps(known: HomeFacts, caps: dict[tuple[str, str], LinkCapacity], link: Link, way: str) -> float:
    """The least upper end of the other links from the link's near end to the provider, plan included."""
    path = known.home.path(link.near, PROVIDER_EDGE) if PROVIDER_EDGE in known.home.nodes else None
    others = [part.name for part in path.links if part.name != link.name] if path else []
    highs = [high for name in others if (high := caps[name, way].high_bps) is not None]
    fair = fair_plan(known.home, way)
    return min([*highs, *([fair] if fair else [])], default=float("inf"))


def _gains(
    known: HomeFacts, link: Link, ways: tuple[Way, ...]
) -> tuple[list[RecommendedGain], list[str], float]:
    """Rate gains of the first way, their evidence, and the largest share of the plan among them."""
    measured = carried(known, with_ceilings=False)
    caps = carried(known, with_ceilings=True)
    gains, why, worth = [], [], 0.0
    for way in (DOWN, UP):
        now = measured[link.name, way].high_bps
        if now is None:
            continue
        rest = _rest_bps(known, caps, link, way)
        after = min(ways[0].ceiling_bps, rest)
        before = min(now, rest)
        if after <= before * (1 + SAME):
            continue
        gains.append(RecommendedGain(value=after - before, unit="bps", before=before, after=after, about=way))
        over = [pair for pair in transfers_over(known, link.name, way) if not pair[0].at_least]
        why += (
            [transfer_words(*min(over, key=lambda p: abs(p[0].rate_bps - now)), known.zone)] if over else []
        )
        fair = fair_plan(known.home, way)
        worth = max(worth, (after - before) / (fair or after))
    return gains, why, worth


def steps(known: HomeFacts) -> Iterator[Recommendation]:
    """A step for each backhaul that was measured to hold its node back, or to be in trouble."""
    for link in known.home.links:
        if link.kind is not LinkKind.BACKHAUL or link.medium is Medium.ETHERNET:
            continue
        ways = ways_for(known, link)
        gains, why, worth = _gains(known, link, ways)
        found = trouble(known, of(Cause.BACKHAUL, (link.name,)))
        if found.verdicts:
            why.append(f"the backhaul was at fault: {trouble_words(found)}")
            gains.append(found.gain)
        if gains:
            yield Recommendation(
                key="wire-backhaul",
                kind=RecommendationKind.FIX,
                what=f"Wire the backhaul {link.near} to {link.far}, which is {link.medium} now",
                where=link.name,
                why=tuple(why),
                gains=tuple(gains),
                worth=max(worth, found.share),
                now=found.now,
                effort=ways[0].effort,
                cost=ways[0].cost,
                cautions=cautions_for(h for w in ways for h in w.hazards),
                ways=ways,
            )
        else:
            yield from _measure_first(known, link)


def _measure_first(known: HomeFacts, link: Link) -> Iterator[Recommendation]:
    caps = carried(known, with_ceilings=False)
    open_ways = [
        way
        for way in (DOWN, UP)
        if caps[link.name, way].high_bps is None
        and caps[link.name, way].low_bps < (fair_plan(known.home, way) or float("inf")) * (1 - SAME)
    ]
    if not open_ways:
        return
    without = [name for name in (link.near, link.far) if not known.home.nodes[name].agent]
    first = f"run an agent on {' and '.join(without)}, then " if without else ""
    yield Recommendation(
        key="measure-backhaul",
        kind=RecommendationKind.MEASURE,
        what=f"Measure what the backhaul {link.near} to {link.far} carries, before wiring it",
        where=link.name,
        why=(f"{first}one transfer tells; nothing is known of it {' and '.join(open_ways)}",),
        commands=() if without else (f"whichhop transfer {known.file} {link.near} {link.far}",),
    )
