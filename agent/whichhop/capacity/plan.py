"""Whether the plan is delivered, by hour of the day: a fair interval from upstream transfers. Pure."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, tzinfo
from enum import StrEnum

from whichhop.model import Home, Plan, Reading
from whichhop.model.transfer import DOWNLOADS, UPLOADS
from whichhop.model.units import NS_PER_S
from whichhop.stats.proportion import Interval, wilson
from whichhop.stats.throughput import goodput_bps

ENOUGH = 0.9
"""Share of the plan's rate that counts as delivered (common practice of regulators' yearly reports)."""
LEAST_TESTS = 5
"""Fewer tell nothing of an hour."""
DELIVERED_AT, MISSED_AT = 0.8, 0.5
"""The plan counts as delivered when surely more than so many tests reach it, as missed when surely fewer
than half do; surely: by the 95 % interval. Our own choice."""
PARTS = (1, 2, 3, 4, 6)
"""Hours that a part of the day may have: the shortest is taken in which every part has enough tests."""
TCP_HEADERS = 52


class Answer(StrEnum):
    """What the tests of some hours say of the plan."""

    DELIVERED = "delivered"
    NOT_DELIVERED = "not-delivered"
    OPEN = "cannot-tell"


@dataclass(frozen=True, slots=True, kw_only=True)
class LineTest:
    """One direction of one upstream transfer. way: "down" or "up". at_least: the path was not its limit."""

    at_ns: int
    way: str
    rate_bps: float
    at_least: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Delivery:
    """What the tests of one direction in some hours of the day show.

    reached of tests: how many had ENOUGH of the plan; share: its Wilson interval, 0 to 1. unusable: tests
    that something else limited below the plan: they speak neither for nor against it, and are left out.
    median_bps: None without a usable test. first_hour, last_hour: local, both included.
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
    answer: Answer


def upstream_tests(home: Home, readings: Iterable[Reading]) -> list[LineTest]:
    """The upstream transfers among readings: to the user's URLs and to peers. In the order of time."""
    others = {DOWNLOADS, UPLOADS, *home.peers}
    found: dict[tuple[str, str, str, int], dict[str, float]] = {}
    for reading in readings:
        name, _, other_end = reading.name.partition(":")
        for way in ("out", "back"):
            figure = name.removeprefix(f"transfer_{way}_")
            if other_end in others and figure in ("rate_bps", "at_least") and figure != name:
                found.setdefault((reading.agent, other_end, way, reading.at_ns), {})[figure] = reading.value
    tests = [
        LineTest(
            at_ns=at,
            way="up" if way == "out" else "down",
            rate_bps=figures["rate_bps"],
            at_least=bool(figures.get("at_least")),
        )
        for (_, _, way, at), figures in found.items()
        if "rate_bps" in figures
    ]
    return sorted(tests, key=lambda t: (t.at_ns, t.way))


def fair_rate_bps(plan_bps: float) -> float:
    """What TCP can carry of a plan: its frames' headers are the provider's to carry, not to be blamed for."""
    return goodput_bps(plan_bps, header_octets=TCP_HEADERS)


def delivery(
    tests: Sequence[LineTest],
    plan: Plan,
    way: str,
    zone: tzinfo | None,
    *,
    first_hour: int = 0,
    last_hour: int = 23,
) -> Delivery:
    """What the tests of one direction that began in some local hours say."""
    plan_bps = plan.up_bps if way == "up" else plan.down_bps
    wanted = fair_rate_bps(plan_bps) * ENOUGH
    mine = [t for t in tests if t.way == way and first_hour <= _hour(t.at_ns, zone) <= last_hour]
    usable = [t for t in mine if t.rate_bps >= wanted or not t.at_least]
    rates = sorted(t.rate_bps for t in usable)
    reached = sum(rate >= wanted for rate in rates)
    share = wilson(reached, len(rates))
    answer = Answer.OPEN
    if len(rates) >= LEAST_TESTS:
        if share.low > DELIVERED_AT or (reached == len(rates) and share.low > MISSED_AT):
            answer = Answer.DELIVERED
        elif share.high < MISSED_AT:
            answer = Answer.NOT_DELIVERED
    middle = len(rates) // 2
    median = (
        None if not rates else rates[middle] if len(rates) % 2 else (rates[middle - 1] + rates[middle]) / 2
    )
    return Delivery(
        way=way,
        first_hour=first_hour,
        last_hour=last_hour,
        tests=len(rates),
        reached=reached,
        unusable=len(mine) - len(usable),
        share=share,
        median_bps=median,
        plan_bps=plan_bps,
        answer=answer,
    )


def _hour(at_ns: int, zone: tzinfo | None) -> int:
    return datetime.fromtimestamp(at_ns / NS_PER_S, UTC).astimezone(zone).hour


def by_hour(
    tests: Sequence[LineTest], plan: Plan, zone: tzinfo | None, *, hours: int | None = None
) -> Mapping[str, tuple[Delivery, ...]]:
    """Per direction: the whole day, then each part of `hours` that has a test; None: as short as fits."""
    out = {}
    for way in ("down", "up"):
        for length in (hours,) if hours else PARTS:
            parts = [
                delivery(tests, plan, way, zone, first_hour=first, last_hour=min(first + length, 24) - 1)
                for first in range(0, 24, length)
            ]
            parts = [p for p in parts if p.tests or p.unusable]
            if all(p.tests + p.unusable >= LEAST_TESTS for p in parts):
                break
        out[way] = (delivery(tests, plan, way, zone), *parts)
    return out


def delivery_words(found: Delivery) -> str:
    """One sentence for a reader."""
    plan = f"{found.plan_bps / 1e6:g} Mb/s {found.way}"
    when = (
        "over the whole day"
        if (found.first_hour, found.last_hour) == (0, 23)
        else f"from {found.first_hour}:00 to {found.last_hour + 1}:00"
    )
    if found.median_bps is None:
        return f"no usable test of {plan} {when}"
    counted = (
        f"{found.reached} of {found.tests} tests reached {100 * ENOUGH:.0f} % of it "
        f"({100 * found.share.low:.0f} to {100 * found.share.high:.0f} % with 95 % confidence), "
        f"median {found.median_bps / 1e6:.1f} Mb/s"
    )
    verdict = {
        Answer.DELIVERED: "is delivered",
        Answer.NOT_DELIVERED: "is not delivered",
        Answer.OPEN: "may or may not be delivered",
    }[found.answer]
    open_words = ", more tests would tell" if found.answer is Answer.OPEN else ""
    more = f"; {found.unusable} tests were limited by something else" if found.unusable else ""
    return f"{plan} {verdict} {when}{open_words}: {counted}{more}"
