"""Whether the plan is delivered, by hour of the day, from tests that reached the line unhindered. Pure.

As BEREC's methodology has it (BoR (22) 72, Net Neutrality Regulatory Assessment Methodology): speed is that
of TCP payload, measured where the home's own network is no limit, so by cable or over what is wide enough as
measured. It leaves to each regulator how often a contracted speed must be reached; its example for the
normally available speed is 90 % of the time in peak hours, or 95 % of the day (section 6.2.3 of the draft,
BoR (17) 112). The law speaks of significant discrepancy, continuous or regularly recurring (Regulation (EU)
2015/2120, article 4(4)).
"""

from collections.abc import Iterable, Mapping, Sequence
from datetime import UTC, datetime, tzinfo
from enum import StrEnum
from statistics import median

from msgspec import Struct

from whichhop.capacity.links import DOWN, SAME, UP, LinkCapacity, is_wide
from whichhop.capacity.transfers import transfers_of
from whichhop.model import PROVIDER_EDGE, Home, LinkKind, Plan, Reading
from whichhop.model.transfer import DOWNLOADS, UPLOADS
from whichhop.model.units import NS_PER_S
from whichhop.stats.difference import clustered_share
from whichhop.stats.proportion import Interval
from whichhop.stats.throughput import TCP_HEADERS, goodput_bps

ENOUGH = 0.9
"""Share of the plan's rate that counts as delivered (common practice of regulators' yearly reports)."""
DELIVERED_AT, MISSED_AT = 0.8, 0.5
"""The plan counts as delivered when it is there for surely more than so much of the time, as missed when
surely for less than half of it. Our own choice, milder than BEREC's examples: what lies between is open."""
ERRS = 0.05
"""So seldom a direction is called delivered though it is under DELIVERED_AT, or missed though over MISSED_AT:
half of it for the whole day, half for all parts of the day together."""
LEAST_TESTS = 5
"""Parts of the day with fewer would tell nothing; they are made longer."""
PARTS = (1, 2, 3, 4, 6)
"""Hours that a part of the day may have: the shortest is taken in which every part has enough tests."""
LinkCapacities = Mapping[tuple[str, str], LinkCapacity]
"""By link and direction, as capacity/links.py works it out."""


class PlanAnswer(StrEnum):
    """What the tests of some hours say of the plan."""

    DELIVERED = "delivered"
    NOT_DELIVERED = "not-delivered"
    OPEN = "cannot-tell"


class LineTest(Struct, frozen=True, kw_only=True):
    """One direction of one upstream transfer. way: "down" or "up". at_least: the path was not its limit.

    agent: who made it. hindered: links of the home on its path that are not known to carry more than it did.
    """

    at_ns: int
    way: str
    rate_bps: float
    at_least: bool
    agent: str = ""
    hindered: tuple[str, ...] = ()


class Delivery(Struct, frozen=True, kw_only=True):
    """What the tests of one direction in some hours of the day show.

    reached of tests: how many had ENOUGH of the plan. share: of the time that it is there, with its interval
    at 95 %, days being good or bad as a whole for all that is known. unusable: tests under the plan that
    something else limited: they speak neither for nor against it, and are left out. hindered: the links of
    the home that may have limited them; at_least_bps: the best of them. median_bps: None without a usable
    test. days: with a usable test. first_hour, last_hour: local, both included. by: agents of the usable
    tests. errs: how seldom the answer is wrong.
    """

    way: str
    first_hour: int
    last_hour: int
    tests: int
    reached: int
    unusable: int
    share: Interval
    median_bps: float | None
    plan_bps: int
    answer: PlanAnswer
    days: int = 0
    hindered: tuple[str, ...] = ()
    at_least_bps: float | None = None
    by: tuple[str, ...] = ()
    errs: float = ERRS / 2


def _hindering(home: Home, agent: str, way: str, rate_bps: float, known: LinkCapacities) -> tuple[str, ...]:
    """The home's links between an agent and the line that are not known to carry well over a rate."""
    path = home.path(agent, PROVIDER_EDGE) if PROVIDER_EDGE in home.nodes else None
    if path is None:
        return ()
    return tuple(
        link.name
        for link in path.links
        if link.kind not in (LinkKind.ACCESS, LinkKind.BEYOND)
        and not is_wide(link, known[link.name, way], rate_bps)
        and known[link.name, way].sure_bps <= rate_bps * (1 + 2 * SAME)
    )


def upstream_tests(
    home: Home, readings: Iterable[Reading], known: LinkCapacities | None = None
) -> list[LineTest]:
    """The upstream transfers among readings: to the user's URLs and to peers. In the order of time.

    known: what each link is known to carry (capacity/links.py); without it none counts as hindered.
    """
    outside = {DOWNLOADS, UPLOADS, *home.peers}
    tests = []
    for one in transfers_of(readings):
        if one.other_end not in outside:
            continue
        way = UP if one.way == "out" else DOWN
        tests.append(
            LineTest(
                at_ns=one.at_ns,
                way=way,
                rate_bps=one.rate_bps,
                at_least=one.at_least,
                agent=one.agent,
                hindered=_hindering(home, one.agent, way, one.rate_bps, known) if known else (),
            )
        )
    return sorted(tests, key=lambda t: (t.at_ns, t.way))


def fair_rate_bps(plan_bps: float) -> float:
    """What TCP can carry of a plan: its frames' headers are the provider's to carry, not to be blamed for."""
    return goodput_bps(plan_bps, header_octets=TCP_HEADERS)


def _place(at_ns: int, zone: tzinfo | None) -> tuple[int, int]:
    """The local hour of the day, and the local day."""
    at = datetime.fromtimestamp(at_ns / NS_PER_S, UTC).astimezone(zone)
    return at.hour, at.toordinal()


def delivery(
    tests: Sequence[LineTest],
    plan: Plan,
    way: str,
    zone: tzinfo | None,
    *,
    first_hour: int = 0,
    last_hour: int = 23,
    errs: float = ERRS / 2,
) -> Delivery:
    """What the tests of one direction that began in some local hours say.

    errs: how seldom, at most, the answer may be wrong, one-sided.
    """
    plan_bps = plan.up_bps if way == UP else plan.down_bps
    wanted = fair_rate_bps(plan_bps) * ENOUGH
    mine = [t for t in tests if t.way == way and first_hour <= _place(t.at_ns, zone)[0] <= last_hour]
    usable = [t for t in mine if t.rate_bps >= wanted or not (t.at_least or t.hindered)]
    left_out = [t for t in mine if t.rate_bps < wanted and (t.at_least or t.hindered)]
    days: dict[int, tuple[int, int]] = {}
    for test in usable:
        day = _place(test.at_ns, zone)[1]
        hits, total = days.get(day, (0, 0))
        days[day] = (hits + (test.rate_bps >= wanted), total + 1)
    share = clustered_share(list(days.values()))
    answer = PlanAnswer.OPEN
    # Where more were left out than counted, those that reached the plan may be a picked lot.
    if share.under(DELIVERED_AT) <= errs and len(left_out) <= len(usable):
        answer = PlanAnswer.DELIVERED
    elif 1 - share.under(MISSED_AT) <= errs:
        answer = PlanAnswer.NOT_DELIVERED
    return Delivery(
        way=way,
        first_hour=first_hour,
        last_hour=last_hour,
        tests=len(usable),
        reached=sum(t.rate_bps >= wanted for t in usable),
        unusable=len(left_out),
        share=share.interval(),
        median_bps=median(t.rate_bps for t in usable) if usable else None,
        plan_bps=plan_bps,
        answer=answer,
        days=len(days),
        hindered=tuple(dict.fromkeys(name for t in left_out for name in t.hindered)),
        at_least_bps=max((t.rate_bps for t in left_out), default=None),
        by=tuple(dict.fromkeys(t.agent for t in usable if t.agent)),
        errs=errs,
    )


def by_hour(
    tests: Sequence[LineTest], plan: Plan, zone: tzinfo | None, *, hours: int | None = None
) -> Mapping[str, tuple[Delivery, ...]]:
    """Per direction: the whole day, then each part of `hours` that has a test; None: as short as fits."""
    out = {}
    for way in (DOWN, UP):
        for length in (hours,) if hours else PARTS:
            spans = [(first, min(first + length, 24) - 1) for first in range(0, 24, length)]
            count = [
                sum(t.way == way and first <= _place(t.at_ns, zone)[0] <= last for t in tests)
                for first, last in spans
            ]
            spans = [span for span, many in zip(spans, count, strict=True) if many]
            if all(many >= LEAST_TESTS for many in count if many):
                break
        parts = [
            delivery(
                tests, plan, way, zone, first_hour=first, last_hour=last, errs=ERRS / 2 / max(1, len(spans))
            )
            for first, last in spans
        ]
        out[way] = (delivery(tests, plan, way, zone), *parts)
    return out


def contradicted(found: Mapping[str, Sequence[Delivery]]) -> tuple[Delivery, ...]:
    """The directions whose plan is news: missed over the whole day."""
    return tuple(
        parts[0] for parts in found.values() if parts and parts[0].answer is PlanAnswer.NOT_DELIVERED
    )


def news_words(found: Delivery) -> str:
    """A plan that is not delivered, with what was ruled out, for the top of a screen."""
    by = ", ".join(found.by) or "the agents"
    ruled = f"the home's own links, since the tests came from {by} over links that carry more"
    return f"{delivery_words(found)}. Ruled out: {ruled}."


def delivery_words(found: Delivery) -> str:
    """One sentence for a reader."""
    plan = f"The plan's {found.plan_bps / 1e6:g} Mbit/s {found.way}"
    whole = (found.first_hour, found.last_hour) == (0, 23)
    when = "" if whole else f" from {found.first_hour:02}:00 to {found.last_hour + 1:02}:00 of the home's day"
    behind = f" behind {', '.join(found.hindered)}" if found.hindered else ""
    if found.median_bps is None:
        if found.at_least_bps is None:
            return f"{plan}: no test yet{when}"
        return (
            f"{plan} cannot be judged{when}: all {found.unusable} tests{behind} met another limit first"
            f" and show at least {found.at_least_bps / 1e6:.1f} Mbit/s; test by cable at the router"
        )
    counted = (
        f"{found.reached} of {found.tests} tests on {found.days} days reached {100 * ENOUGH:.0f} % of it "
        f"({100 * found.share.low:.0f} to {100 * found.share.high:.0f} % of the time with 95 % confidence), "
        f"median {found.median_bps / 1e6:.1f} Mbit/s"
    )
    verdict = {
        PlanAnswer.DELIVERED: "is delivered",
        PlanAnswer.NOT_DELIVERED: "is not delivered",
        PlanAnswer.OPEN: "may or may not be delivered",
    }[found.answer]
    open_words = ", more days would tell" if found.answer is PlanAnswer.OPEN else ""
    more = f"; {found.unusable} tests{behind} are left out, limited by something else"
    return f"{plan} {verdict}{when}{open_words}: {counted}{more if found.unusable else ''}"
