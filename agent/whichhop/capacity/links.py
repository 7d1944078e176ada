"""What each link carries, from transfers and from ceilings that agents read off ports and radios. Pure."""

from collections.abc import Iterable, Mapping, Sequence
from datetime import tzinfo

from msgspec import Struct
from msgspec.structs import replace

from whichhop.capacity.transfers import Measured
from whichhop.model import PROVIDER_EDGE, Home, Link, LinkKind, Medium, Reading
from whichhop.model.figure_words import utc_of, zone_of
from whichhop.model.hop_facts import FULL_DUPLEX, OF_LINKS, PORT_SPEED, RADIO_RATE, RADIO_RECEIVE
from whichhop.model.transfer import DOWNLOADS, UPLOADS
from whichhop.stats.throughput import TCP_HEADERS, goodput_bps

UP, DOWN = "up", "down"
SAME = 0.05
"""Rates within 5 % of each other count as one: transfers are steady within 2 %, framing differs by link."""
PLAN = "the plan"
ETHERNET_BPS = tuple(goodput_bps(speed, header_octets=TCP_HEADERS) for speed in (1e8, 1e9, 2.5e9, 5e9, 1e10))
"""What the speeds of IEEE 802.3 carry that homes' ports negotiate."""

Ceilings = dict[tuple[str, str], tuple[float, str]]
"""By link and direction: TCP payload in bit/s, and in words why."""


class LinkCapacity(Struct, frozen=True, kw_only=True):
    """What one link is known to carry in one direction, TCP payload in bit/s.

    low_bps: so much usually passes (the largest median of a path over it). sure_bps: so much nearly always
    does. high_bps: it carries no more; None where nothing says so. basis: where the upper end comes from.
    """

    link: str
    way: str
    low_bps: float = 0.0
    sure_bps: float = 0.0
    high_bps: float | None = None
    basis: str = ""


class Narrow(Struct, frozen=True, kw_only=True):
    """The narrow link on an agent's way to the provider's edge, or the few that it may be.

    rate_bps: the lowest upper end on the way, None where none is known. under_plan: whether that is below
    what the plan would carry; None without a plan or a rate. unknown: links on the way never measured.
    """

    agent: str
    room: str | None
    way: str
    links: tuple[str, ...]
    rate_bps: float | None
    basis: str
    under_plan: bool | None
    unknown: tuple[str, ...]


def _crossed(home: Home, one: Measured) -> list[tuple[str, str]]:
    """The (link, direction) pairs that a transfer's data crosses; empty when it leaves the tree."""
    end = PROVIDER_EDGE if one.other_end in (DOWNLOADS, UPLOADS) else one.other_end
    path = home.path(one.agent, end) if end in home.nodes else None
    if path is None:
        return []
    out = []
    for start, link in zip(path.nodes, path.links, strict=False):
        rises = start == link.near
        out.append((link.name, UP if rises == (one.way == "out") else DOWN))
    return out


def _ceiling(
    home: Home, link: Link, way: str, ceilings: Mapping[tuple[str, str], tuple[float, str]]
) -> LinkCapacity:
    found = LinkCapacity(link=link.name, way=way)
    if link.kind is LinkKind.ACCESS and home.plan is not None:
        plan = home.plan.up_bps if way == UP else home.plan.down_bps
        found = replace(found, high_bps=goodput_bps(plan, header_octets=TCP_HEADERS), basis=PLAN)
    if (link.name, way) in ceilings:
        high, basis = ceilings[link.name, way]
        if found.high_bps is None or high < found.high_bps:
            found = replace(found, high_bps=high, basis=basis)
    return found


def _believed(found: LinkCapacity) -> LinkCapacity:
    """Without an upper end that was seen to be passed: a driver may tell a rate that its device has not."""
    if found.high_bps is None or found.low_bps <= found.high_bps:
        return found
    if found.low_bps <= found.high_bps * (1 + SAME):
        return replace(found, high_bps=found.low_bps)
    if found.basis == PLAN:
        return replace(found, high_bps=found.low_bps, basis="a transfer, above the plan")
    return replace(found, high_bps=None, basis="")


def capacities(
    home: Home,
    measured: Sequence[Measured],
    ceilings: Mapping[tuple[str, str], tuple[float, str]] | None = None,
) -> dict[tuple[str, str], LinkCapacity]:
    """Per link and direction ("up" toward the provider, "down").

    ceilings: by link and direction, the most its medium or ports let through in TCP payload, and in words
    why; one that is less than what passed is no ceiling. A transfer shows that each link on its way carries
    its rate; where the path was its limit, one of them carries no more: that link is named once all others
    were seen to carry more.
    """
    known = {
        (link.name, way): _ceiling(home, link, way, ceilings or {})
        for link in home.links
        for way in (UP, DOWN)
    }
    links = {link.name: link for link in home.links}
    crossings = [(one, _crossed(home, one)) for one in measured]
    for one, crossed in crossings:
        for at in crossed:
            known[at] = replace(
                known[at],
                low_bps=max(known[at].low_bps, one.rate_bps),
                sure_bps=max(known[at].sure_bps, one.sure_bps),
            )
    known = {at: _believed(found) for at, found in known.items()}
    for one, crossed in crossings:
        if one.at_least:
            continue
        able = [
            at
            for at in crossed
            if known[at].low_bps <= one.rate_bps * (1 + SAME)
            and not is_wide(links[at[0]], known[at], one.rate_bps)
        ]
        inside = [at for at in able if links[at[0]].kind is not LinkKind.BEYOND]
        if len(inside) == 1 and (len(able) == 1 or links[inside[0][0]].kind is LinkKind.ACCESS):
            held = known[inside[0]]
            if held.high_bps is None or one.rate_bps < held.high_bps:
                beside = ", or what lies beyond it" if len(able) > 1 else ""
                basis = f"{transfers_words(one, zone_of(home))}{beside}"
                known[inside[0]] = replace(held, high_bps=max(one.rate_bps, held.low_bps), basis=basis)
    return known


def transfers_words(one: Measured, zone: tzinfo | None) -> str:
    """Which transfers, in a few words; days are those of `zone`."""
    many = "a transfer" if one.tests == 1 else f"{one.tests} transfers"
    words = f"{many} {one.agent} {'to' if one.way == 'out' else 'from'} {one.other_end}"
    if one.low_bps is not None and one.high_bps is not None and one.high_bps > one.low_bps * (1 + SAME):
        words += f", mostly {one.low_bps / 1e6:.1f} to {one.high_bps / 1e6:.1f}"
    if one.since_ns is not None and one.earlier_bps is not None:
        day = utc_of(one.since_ns).astimezone(zone)
        words += f", {one.earlier_bps / 1e6:.1f} before {day:%Y-%m-%d}"
    return words


def is_wide(link: Link, found: LinkCapacity, rate_bps: float) -> bool:
    """Whether an Ethernet link may be taken to carry well over a rate though nobody saw it do so.

    By its port's speed where that is known; else by the least speed that could have carried the rate at all:
    a port that passes 200 Mbit/s runs at 1000.
    """
    if link.kind is not LinkKind.WIRED and link.medium is not Medium.ETHERNET:
        return False
    least = next((speed for speed in ETHERNET_BPS if speed * (1 + SAME) >= rate_bps), ETHERNET_BPS[-1])
    most = least if found.high_bps is None else found.high_bps
    return most > rate_bps * (1 + 2 * SAME)


def narrow_links(home: Home, known: Mapping[tuple[str, str], LinkCapacity]) -> list[Narrow]:
    """For each agent and direction, the narrow link on its way to the provider's edge."""
    out = []
    for agent in home.agents:
        path = home.path(agent.name, PROVIDER_EDGE) if PROVIDER_EDGE in home.nodes else None
        if path is None:
            continue
        for way in (DOWN, UP):
            ends = [known[link.name, way] for link in path.links]
            highs = [e for e in ends if e.high_bps is not None]
            lowest = min(highs, key=lambda e: e.high_bps or 0.0, default=None)
            rate = lowest.high_bps if lowest is not None else None
            # A link that was seen to carry more than the lowest upper end cannot be the narrow one.
            places = {link.name: link for link in path.links}
            links = tuple(
                e.link
                for e in ends
                if e is lowest
                or rate is None
                or (e.low_bps < rate * (1 - SAME) and not is_wide(places[e.link], e, rate))
            )
            plan = home.plan.up_bps if home.plan and way == UP else home.plan.down_bps if home.plan else None
            fair = goodput_bps(plan, header_octets=TCP_HEADERS) if plan else None
            out.append(
                Narrow(
                    agent=agent.name,
                    room=agent.room,
                    way=way,
                    links=links,
                    rate_bps=rate,
                    basis=lowest.basis if lowest else "",
                    under_plan=rate < fair * (1 - SAME) if rate is not None and fair is not None else None,
                    unknown=tuple(e.link for e in ends if e.low_bps == 0.0),
                )
            )
    return out


def narrow_words(found: Narrow) -> str:
    """One sentence for a reader."""
    room = f" in the {found.room}" if found.room and found.room != found.agent else ""
    whose = f"{found.agent}{room}, {found.way}"
    if found.rate_bps is None:
        across = (
            f"across {', '.join(found.unknown)}" if found.unknown else "over its whole path to the internet"
        )
        return f"{whose}: not known; run transfers {across}"
    sure = "is the narrow link" if len(found.links) == 1 else "are the links of which one is narrow"
    names = " and ".join(found.links)
    if found.basis == PLAN:
        words = f"{whose}: nothing narrower than the plan's {found.rate_bps / 1e6:.1f} Mbit/s is known"
    else:
        words = f"{whose}: {names} {sure}, at most {found.rate_bps / 1e6:.1f} Mbit/s by {found.basis}"
        if found.under_plan is not None:
            words += "; less than the plan" if found.under_plan else "; no less than the plan"
    if len(found.links) > 1 and found.unknown:
        words += f"; a transfer across {', '.join(found.unknown)} would tell"
    return words


def newest(readings: Iterable[Reading]) -> dict[tuple[str, str, str], Reading]:
    """The newest reading of each agent, name and neighbour."""
    out: dict[tuple[str, str, str], Reading] = {}
    for reading in readings:
        name, _, other_end = reading.name.partition(":")
        if name in OF_LINKS:
            key = (reading.agent, name, other_end)
            if key not in out or reading.at_ns >= out[key].at_ns:
                out[key] = reading
    return out


def observed_ceilings(home: Home, readings: Iterable[Reading], *, radio_share: float) -> Ceilings:
    """By what was negotiated and at which rates the radios sent last; the lower end's word counts.

    radio_share: what of a radio's link rate is left for data. A radio's rate follows its signal, so its
    ceiling is that of the newest reading. Half duplex is told: there both directions share the rate.
    """
    out: Ceilings = {}
    last = newest(readings)
    links = {frozenset((link.near, link.far)): link for link in home.links}
    for (agent, name, other_end), reading in last.items():
        link = links.get(frozenset((agent, other_end)))
        if link is None or reading.value <= 0:
            continue
        rises = agent == link.near
        words = f"{reading.value / 1e6:g} Mbit/s"
        if name == PORT_SPEED:
            duplex = last.get((agent, FULL_DUPLEX, other_end))
            half = duplex is not None and not duplex.value
            words = f"{agent}'s port, negotiated at {words}{', half duplex' if half else ''}"
            rate = goodput_bps(reading.value, header_octets=TCP_HEADERS)
            ways: tuple[str, ...] = (UP, DOWN)
        elif name in (RADIO_RATE, RADIO_RECEIVE):
            words = f"{agent}'s radio, {words} of which {100 * radio_share:.0f} % is data (common practice)"
            rate = reading.value * radio_share
            ways = (UP if rises == (name == RADIO_RATE) else DOWN,)
        else:
            continue
        _lower(out, {(link.name, way): (rate, words) for way in ways})
    return out


def lowest(*many: Mapping[tuple[str, str], tuple[float, str]]) -> Ceilings:
    """The lowest ceiling of each link and direction."""
    out: Ceilings = {}
    for one in many:
        _lower(out, one)
    return out


def _lower(out: Ceilings, more: Mapping[tuple[str, str], tuple[float, str]]) -> None:
    for at, found in more.items():
        if at not in out or found[0] < out[at][0]:
            out[at] = found
