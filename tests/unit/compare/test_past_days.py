"""Days of the home's zone, held against zoneinfo (the IANA time zone database)."""

from dataclasses import replace
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

import pytest

from whichhop.compare.past_days import past_days
from whichhop.model import Cause
from whichhop.model.modem_now import LevelHour
from whichhop.model.past_fault import DayTotal, PastDays, PastFault
from whichhop.model.units import NS_PER_MINUTE, NS_PER_S

BERLIN = ZoneInfo("Europe/Berlin")
KATHMANDU = ZoneInfo("Asia/Kathmandu")  # UTC+5:45: its days begin within an hour of UTC
SANTIAGO = ZoneInfo("America/Santiago")  # changes its clocks at midnight


def ns(text: str, zone: ZoneInfo = BERLIN) -> int:
    return round(datetime.fromisoformat(text).replace(tzinfo=zone).timestamp()) * NS_PER_S


def fault(start: str, end: str, zone: ZoneInfo = BERLIN) -> PastFault:
    return PastFault(
        cause=Cause.WIRELESS_HOP,
        elements=("desk-attic",),
        start_ns=ns(start, zone),
        end_ns=ns(end, zone),
        probability=0.98,
        proven=True,
    )


def minutes(start_ns: int, end_ns: int) -> dict[int, int]:
    out: dict[int, int] = {}
    for minute in range(start_ns // NS_PER_MINUTE, end_ns // NS_PER_MINUTE):
        out[minute // 60] = out.get(minute // 60, 0) | 1 << minute % 60
    return out


def days(found: PastDays) -> dict[str, DayTotal]:
    return {d.day: d for d in found.days}


@pytest.mark.parametrize("zone", [BERLIN, KATHMANDU, SANTIAGO, ZoneInfo("UTC")], ids=str)
@pytest.mark.parametrize(
    "now", ["2026-04-06 09:00", "2026-04-20 00:00", "2026-09-20 23:59", "2026-11-01 12:30"]
)
def test_every_day_is_as_long_as_the_zone_says(now: str, zone: ZoneInfo) -> None:
    now_ns = ns(now, zone)
    found = past_days([], {}, [], now_ns=now_ns, zone=zone)
    assert len(found.days) == 31
    assert found.days[-1].day == now[:10]
    for day in found.days[:-1]:
        first = datetime.fromisoformat(day.day)
        # Where midnight does not exist, the database gives the instant of the change for it.
        start, end = (t.replace(tzinfo=zone).timestamp() for t in (first, first + timedelta(days=1)))
        assert day.length_min * 60 == end - start
        assert day.not_judged_min == day.length_min
    # What is judged of one day is that day's alone, also where it begins within an hour.
    one = found.days[20].day
    following = found.days[21].day
    judged = minutes(ns(one, zone), ns(following, zone))
    known = days(past_days([], judged, [], now_ns=now_ns, zone=zone))
    assert {d for d, total in known.items() if total.not_judged_min < total.length_min} == {one}
    assert known[one].not_judged_min == 0


def test_days_of_23_and_25_hours() -> None:
    spring = days(past_days([], {}, [], now_ns=ns("2026-04-06 09:00"), zone=BERLIN))
    autumn = days(past_days([], {}, [], now_ns=ns("2026-11-01 09:00"), zone=BERLIN))
    assert spring["2026-03-29"].length_min == 23 * 60
    assert autumn["2026-10-25"].length_min == 25 * 60
    whole = [fault("2026-10-25 00:00", "2026-10-26 00:00")]
    full = days(past_days(whole, {}, [], now_ns=ns("2026-11-01 09:00"), zone=BERLIN))
    assert full["2026-10-25"].home_min == 25 * 60


def test_an_episode_over_midnight_is_split_by_day_and_counted_once_in_the_week() -> None:
    over = fault("2026-03-04 23:50", "2026-03-05 00:20")
    found = past_days([over], {}, [], now_ns=ns("2026-03-06 12:00"), zone=BERLIN)
    assert [(d.home_min, d.home_episodes) for d in found.days[-3:]] == [(10, 1), (20, 1), (0, 0)]
    assert (found.week.episodes, found.week.fault_min) == (1, 30)
    assert found.week.places[0].elements == ("desk-attic",)


def test_owners_are_told_apart_and_what_stands_at_once_counts_once() -> None:
    one = fault("2026-03-05 10:00", "2026-03-05 11:00")
    two = replace(one, elements=("den-attic",), start_ns=one.start_ns + 30 * NS_PER_MINUTE)
    line = replace(one, cause=Cause.UPSTREAM_LINK, elements=("line",))
    group = replace(one, cause=Cause.NOT_SEPARABLE, elements=("desk-attic", "line"))
    found = past_days([one, two, line, group], {}, [], now_ns=ns("2026-03-06 12:00"), zone=BERLIN)
    day = days(found)["2026-03-05"]
    assert (day.home_min, day.home_episodes) == (60, 2)
    assert (day.provider_min, day.others_min) == (60, 60)
    assert (found.week.episodes, found.week.fault_min) == (4, 60)


def test_what_is_older_than_a_week_is_the_months_alone() -> None:
    old = fault("2026-02-20 10:00", "2026-02-20 10:05")
    older = fault("2026-01-20 10:00", "2026-01-20 10:05")
    found = past_days([older, old], {}, [], now_ns=ns("2026-03-06 12:00"), zone=BERLIN)
    assert (found.week.episodes, found.month.episodes) == (0, 1)


def test_the_worst_levels_of_a_day() -> None:
    hours = [
        LevelHour(start_ns=ns("2026-03-05 10:00"), down_low_dbmv=-3.0, snr_low_db=36.0, uncorrectable=4),
        LevelHour(start_ns=ns("2026-03-05 11:00"), down_low_dbmv=-9.0, up_high_dbmv=51.0, uncorrectable=6),
        LevelHour(start_ns=ns("2026-03-06 00:00"), down_low_dbmv=-12.0),
    ]
    day = days(past_days([], {}, hours, now_ns=ns("2026-03-06 12:00"), zone=BERLIN))["2026-03-05"]
    assert (day.down_low_dbmv, day.snr_low_db, day.up_high_dbmv, day.uncorrectable) == (-9.0, 36.0, 51.0, 10)
