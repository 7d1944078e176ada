"""Days of the home's zone, held against zoneinfo (the IANA time zone database)."""

from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
from msgspec.structs import replace

from whichhop.compare.day_book import day_bounds, level_days, past_days
from whichhop.model import Cause
from whichhop.model.channel import LevelSpan
from whichhop.model.past_fault import DayPart, DayTotal, PastDays, PastFault, Whose
from whichhop.model.units import NS_PER_MINUTE, NS_PER_S
from whichhop.serve.page.figures import ago

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
    found = past_days([], {}, now_ns=now_ns, zone=zone)
    assert len(found.days) == 31
    assert found.days[-1].day == now[:10]
    for day in found.days[:-1]:
        first = datetime.fromisoformat(day.day)
        # Where midnight does not exist, the database gives the instant of the change for it.
        start, end = (t.replace(tzinfo=zone).timestamp() for t in (first, first + timedelta(days=1)))
        assert day.length_min * 60 == end - start
        assert day.unheard_min == day.length_min
    # What is judged of one day is that day's alone, also where it begins within an hour.
    one = found.days[20].day
    following = found.days[21].day
    judged = minutes(ns(one, zone), ns(following, zone))
    known = days(past_days([], judged, now_ns=now_ns, zone=zone))
    assert {d for d, total in known.items() if total.unheard_min < total.length_min} == {one}
    assert known[one].unheard_min == 0


def test_days_of_23_and_25_hours() -> None:
    spring = days(past_days([], {}, now_ns=ns("2026-04-06 09:00"), zone=BERLIN))
    autumn = days(past_days([], {}, now_ns=ns("2026-11-01 09:00"), zone=BERLIN))
    assert spring["2026-03-29"].length_min == 23 * 60
    assert autumn["2026-10-25"].length_min == 25 * 60
    whole = [fault("2026-10-25 00:00", "2026-10-26 00:00")]
    full = days(past_days(whole, {}, now_ns=ns("2026-11-01 09:00"), zone=BERLIN))
    assert full["2026-10-25"].minutes[Whose.HOME] == 25 * 60


def test_an_episode_over_midnight_is_split_by_day_and_counted_once_in_the_week() -> None:
    over = fault("2026-03-04 23:50", "2026-03-05 00:20")
    found = past_days([over], {}, now_ns=ns("2026-03-06 12:00"), zone=BERLIN)
    three = found.days[-3:]
    assert [(d.minutes.get(Whose.HOME), d.episodes) for d in three] == [
        (10, {Whose.HOME: 1}),
        (20, {Whose.HOME: 1}),
        (None, {}),
    ]
    assert [d.parts[0] for d in three[:2]] == [
        DayPart(whose=Whose.UNHEARD, start_min=0, end_min=1440),
        DayPart(whose=Whose.HOME, start_min=0, end_min=20),
    ]
    assert (found.week.episodes, found.week.fault_min) == (1, 30)
    assert found.week.places[0].elements == ("desk-attic",)


def test_owners_are_told_apart_and_what_stands_at_once_counts_once() -> None:
    one = fault("2026-03-05 10:00", "2026-03-05 11:00")
    two = replace(one, elements=("den-attic",), start_ns=one.start_ns + 30 * NS_PER_MINUTE)
    line = replace(one, cause=Cause.UPSTREAM_LINK, elements=("line",))
    group = replace(one, cause=Cause.NOT_SEPARABLE, elements=("desk-attic", "line"))
    found = past_days([one, two, line, group], {}, now_ns=ns("2026-03-06 12:00"), zone=BERLIN)
    day = days(found)["2026-03-05"]
    assert day.episodes == {Whose.HOME: 2, Whose.PROVIDER: 1, Whose.OTHERS: 1}
    assert [day.minutes[w] for w in (Whose.HOME, Whose.PROVIDER, Whose.OTHERS)] == [60, 60, 60]
    assert (found.week.episodes, found.week.fault_min) == (4, 60)


def test_what_is_older_than_a_week_is_the_months_alone() -> None:
    old = fault("2026-02-20 10:00", "2026-02-20 10:05")
    older = fault("2026-01-20 10:00", "2026-01-20 10:05")
    found = past_days([older, old], {}, now_ns=ns("2026-03-06 12:00"), zone=BERLIN)
    assert (found.week.episodes, found.month.episodes) == (0, 1)


def test_the_worst_levels_of_a_day() -> None:
    hours = [
        LevelSpan(start_ns=ns("2026-03-05 10:00"), down_low_dbmv=-3.0, snr_low_db=36.0, uncorrectable=4),
        LevelSpan(start_ns=ns("2026-03-05 11:00"), down_low_dbmv=-9.0, up_high_dbmv=51.0, uncorrectable=6),
        LevelSpan(start_ns=ns("2026-03-06 00:00"), down_low_dbmv=-12.0),
    ]
    day, today = level_days(hours, day_bounds(ns("2026-03-06 12:00"), BERLIN))
    assert today.down_low_dbmv == -12.0
    assert day.start_ns == ns("2026-03-05 00:00")
    assert (day.down_low_dbmv, day.snr_low_db, day.up_high_dbmv, day.uncorrectable) == (-9.0, 36.0, 51.0, 10)


def test_an_empty_past_is_not_judged_and_has_no_fault() -> None:
    found = past_days([], {}, now_ns=ns("2026-03-06 12:00"), zone=BERLIN)
    assert (found.month.episodes, found.month.fault_min, found.month.places) == (0, 0, ())
    assert found.month.unheard_min == 30 * 1440 + 720
    assert (found.week.days, found.week.unheard_min) == (7, 6 * 1440 + 720)
    assert found.zone == "CET (UTC+1)"
    assert level_days([], day_bounds(ns("2026-03-06 12:00"), BERLIN)) == ()


def test_forty_days_with_gaps_count_the_last_month_only() -> None:
    """A fault of half an hour each evening, and nobody heard from 02:00 to 05:00 each night."""
    evenings = [datetime(2026, 2, 24) + timedelta(days=d, hours=20) for d in range(40)]
    faults = [fault(f"{t:%Y-%m-%d %H:%M}", f"{t + timedelta(minutes=30):%Y-%m-%d %H:%M}") for t in evenings]
    judged: dict[int, int] = {}
    for evening in evenings:
        for hour in (*range(2), *range(5, 24)):
            begin = ns(f"{evening:%Y-%m-%d} {hour:02}:00")
            judged |= minutes(begin, begin + 60 * NS_PER_MINUTE)
    found = past_days(faults, judged, now_ns=ns("2026-04-04 23:30"), zone=BERLIN)
    assert found.month.episodes == 31
    assert found.month.fault_min == 31 * 30
    assert found.week.fault_min == 7 * 30
    for day in found.days:
        # On 2026-03-29 the clocks go from 02:00 to 03:00 in this zone, so that night's gap is an hour less.
        spring = day.day == "2026-03-29"
        assert day.unheard_min == (120 if spring else 180)
        parts = [p for p in day.parts if p.whose is Whose.HOME]
        assert parts == [DayPart(whose=Whose.HOME, start_min=1200 - 60 * spring, end_min=1230 - 60 * spring)]


def test_minutes_are_the_whole_ones_that_the_headline_tells() -> None:
    found = past_days(
        [fault("2026-03-05 10:00", "2026-03-05 10:09:50")], {}, now_ns=ns("2026-03-05 10:09:50"), zone=BERLIN
    )
    assert found.week.fault_min == 9
    assert ago(ns("2026-03-05 10:00"), ns("2026-03-05 10:09:50")) == "9 min"


def test_what_flaps_is_drawn_as_one_and_counted_as_it_was() -> None:
    flaps = [fault(f"2026-03-05 10:{m:02}", f"2026-03-05 10:{m + 1:02}") for m in range(0, 60, 5)]
    day = days(past_days(flaps, {}, now_ns=ns("2026-03-06 12:00"), zone=BERLIN))["2026-03-05"]
    assert (day.episodes[Whose.HOME], day.minutes[Whose.HOME]) == (12, 12)
    assert [p for p in day.parts if p.whose is Whose.HOME] == [
        DayPart(whose=Whose.HOME, start_min=600, end_min=656)
    ]


def test_a_fault_that_a_fast_clock_dated_past_now_counts_nowhere_yet() -> None:
    ahead = fault("2026-03-08 10:00", "2026-03-08 11:00")
    found = past_days([ahead], {}, now_ns=ns("2026-03-06 12:00"), zone=BERLIN)
    assert found.month.episodes == 0
    assert not any(d.episodes for d in found.days)
