"""Plan delivered or not: fair to the provider, and silent where there are too few tests."""

from datetime import UTC, datetime, timedelta, timezone

import pytest
from statsmodels.stats.proportion import proportion_confint

from support.homes import alder
from whichhop.capacity.plan import (
    Answer,
    LineTest,
    by_hour,
    delivery,
    delivery_words,
    fair_rate_bps,
    upstream_tests,
)
from whichhop.model import Plan, Reading

PLAN = Plan(down_bps=500_000_000, up_bps=40_000_000)
NOON = datetime(2026, 3, 1, 12, tzinfo=UTC)


def some(
    rates_mbps: list[float], *, way: str = "down", hour: int = 12, at_least: bool = False
) -> list[LineTest]:
    return [
        LineTest(
            at_ns=int((NOON.replace(hour=hour) + timedelta(days=n)).timestamp()) * 10**9,
            way=way,
            rate_bps=rate * 1e6,
            at_least=at_least,
        )
        for n, rate in enumerate(rates_mbps)
    ]


def test_a_full_line_is_delivered_though_tcp_carries_less_than_the_plans_figure() -> None:
    # 1448 of 1538 octets of a frame are payload (IEEE 802.3, RFC 7323): 470.7 of 500 Mb/s
    assert fair_rate_bps(500e6) == pytest.approx(470.74e6, rel=1e-4)
    found = delivery(some([470.0] * 20), PLAN, "down", UTC)
    assert found.answer is Answer.DELIVERED
    assert found.median_bps == 470e6


def test_half_the_plan_is_not_delivered() -> None:
    found = delivery(some([250.0] * 10), PLAN, "down", UTC)
    assert found.answer is Answer.NOT_DELIVERED
    assert "500 Mb/s down is not delivered over the whole day: 0 of 10 tests" in delivery_words(found)


@pytest.mark.parametrize("rates", [[], [250.0] * 4, [470.0] * 4, [470.0, 250.0] * 6])
def test_few_tests_or_mixed_ones_leave_it_open(rates: list[float]) -> None:
    assert delivery(some(rates), PLAN, "down", UTC).answer is Answer.OPEN


def test_a_test_that_something_else_limited_speaks_only_for_the_plan() -> None:
    slow, fast = some([250.0] * 10, at_least=True), some([470.0] * 10, at_least=True)
    found = delivery([*slow, *fast], PLAN, "down", UTC)
    assert (found.tests, found.reached, found.unusable) == (10, 10, 10)
    assert found.answer is Answer.DELIVERED
    assert delivery(slow, PLAN, "down", UTC).median_bps is None


def test_the_interval_is_wilsons() -> None:
    found = delivery(some([470.0] * 7 + [250.0] * 3), PLAN, "down", UTC)
    low, high = proportion_confint(7, 10, method="wilson")
    assert (found.share.low, found.share.high) == pytest.approx((low, high))


def test_an_evening_slowdown_shows_in_its_hours_only_by_the_homes_clock() -> None:
    day, evening = some([470.0] * 20, hour=10), some([200.0] * 12, hour=18)
    whole, morning, night = by_hour([*day, *evening], PLAN, UTC, hours=6)["down"]
    assert whole.answer is Answer.OPEN
    assert (morning.first_hour, morning.answer) == (6, Answer.DELIVERED)
    assert (night.first_hour, night.answer) == (18, Answer.NOT_DELIVERED)
    east = timezone(timedelta(hours=3))
    assert by_hour(evening, PLAN, east, hours=6)["down"][1].first_hour == 18
    west = timezone(timedelta(hours=-3))
    assert by_hour(evening, PLAN, west, hours=6)["down"][1].first_hour == 12


def test_transfers_past_the_home_are_told_from_those_within_it() -> None:
    def at(name: str, value: float) -> Reading:
        return Reading(at_ns=5, agent="study", name=name, value=value)

    found = upstream_tests(
        alder(),
        [
            at("transfer_out_rate_bps:harbour", 19e6),
            at("transfer_out_at_least:harbour", 0.0),
            at("transfer_back_rate_bps:downloads", 95e6),
            at("transfer_back_at_least:downloads", 1.0),
            at("transfer_out_rate_bps:attic", 300e6),
            at("call_rating:harbour", 90.0),
        ],
    )
    assert found == [
        LineTest(at_ns=5, way="down", rate_bps=95e6, at_least=True),
        LineTest(at_ns=5, way="up", rate_bps=19e6, at_least=False),
    ]
