"""Which transfers a home plans, when they are due, and that the day's plan fits its budget."""

from datetime import UTC, datetime, timedelta

import pytest

from support.homes import alder
from whichhop.daemon.transfer.schedule import BUDGET_SHARE, coming, in_quiet, octets_each, pairs, planned
from whichhop.model import Home

DAY = datetime(2026, 3, 1, 12, 0, tzinfo=UTC)
LIMITS = "limits: {daily_transfer_mb: 900, quiet_hours: '23:00-07:00', transfers_a_day: 4}\nlinks:"
CLIENTS = "harbour: {address: 203.0.113.7, stamp: true, clients: [192.0.2.0/24]}"


def home(limits: str = LIMITS) -> Home:
    return alder("links:", limits)


def test_each_agent_is_paired_with_the_next_one_on_its_way_out() -> None:
    found = [str(p) for p in pairs(alder("router: {kind: router", "router: {kind: router, agent: true"))]
    assert found == ["attic to router", "desk to attic", "study to router"]


def test_an_agent_without_one_on_its_way_is_paired_once() -> None:
    # attic and study both have only the router before them, and no agent runs there
    assert [str(p) for p in pairs(alder())] == ["desk to attic", "study to attic"]


def test_the_line_is_measured_from_the_agent_nearest_to_it_by_cable() -> None:
    text = "harbour: {address: 203.0.113.7, stamp: true}"
    assert "study to upstream" in [str(p) for p in pairs(alder(text, CLIENTS))]


def test_a_day_holds_the_turns_asked_for_outside_the_quiet_hours() -> None:
    due = list(planned(home(), DAY))
    assert len(due) == 4 * len(pairs(home()))
    for one in due:
        at = datetime.fromtimestamp(one.at_ns / 1e9, UTC)
        assert at.date() == DAY.date()
        assert not in_quiet(at.hour * 60 + at.minute, (23 * 60, 7 * 60))
    assert due == sorted(due, key=lambda d: d.at_ns)


def test_the_days_plan_fits_the_budget_with_a_fifth_to_spare() -> None:
    total = sum(d.octets for d in planned(home(), DAY))
    assert total <= BUDGET_SHARE * 900e6


def test_the_plan_is_the_same_for_whoever_asks_and_another_the_next_day() -> None:
    assert list(planned(home(), DAY)) == list(planned(home(), DAY.replace(hour=3)))
    today = {d.at_ns % 86_400_000_000_000 for d in planned(home(), DAY)}
    tomorrow = {d.at_ns % 86_400_000_000_000 for d in planned(home(), DAY + timedelta(days=1))}
    assert today != tomorrow


def test_over_weeks_every_open_hour_of_the_day_is_met() -> None:
    hours = {
        datetime.fromtimestamp(d.at_ns / 1e9, UTC).hour
        for n in range(42)
        for d in planned(home(), DAY + timedelta(days=n))
        if d.pair.agent == "desk"
    }
    assert hours == set(range(7, 23))


def test_nothing_is_planned_unless_asked_for_and_the_use_of_one_is_told_all_the_same() -> None:
    quiet = home("links:")
    assert coming(quiet, DAY, UTC) == []
    assert all(octets > 0 for octets in octets_each(quiet).values())


@pytest.mark.parametrize("hour", [0, 12, 23])
def test_what_comes_next_lies_ahead(hour: int) -> None:
    now = DAY.replace(hour=hour)
    due = coming(home(), now, UTC, most=5)
    assert len(due) == 5
    assert all(d.at_ns > now.timestamp() * 1e9 for d in due)
