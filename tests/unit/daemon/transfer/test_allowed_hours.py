"""The home's day and quiet hours, in its own zone."""

from datetime import UTC, datetime, timedelta, timezone
from zoneinfo import ZoneInfo

import pytest

from whichhop.daemon.transfer.schedule import day_of, in_quiet, quiet_now
from whichhop.model.units import NS_PER_S, UtcNs

NIGHT = (23 * 60, 7 * 60)


def ns(text: str) -> UtcNs:
    return UtcNs(int(datetime.fromisoformat(text).replace(tzinfo=UTC).timestamp()) * NS_PER_S)


@pytest.mark.parametrize(
    ("minute", "quiet"),
    [(0, True), (6 * 60 + 59, True), (7 * 60, False), (22 * 60 + 59, False), (1439, True)],
)
def test_hours_may_span_midnight(minute: int, quiet: bool) -> None:
    assert in_quiet(minute, NIGHT) is quiet


def test_hours_within_a_day_end_where_they_say() -> None:
    assert [in_quiet(m, (60, 120)) for m in (59, 60, 119, 120)] == [False, True, True, False]


def test_the_homes_zone_decides_summer_time_too() -> None:
    zone = ZoneInfo("Europe/Lisbon")
    # 22:30 UTC is 23:30 there in July, and 22:30 in January (tz database)
    assert "23:30" in quiet_now(ns("2026-07-01T22:30:00"), NIGHT, zone)
    assert quiet_now(ns("2026-01-01T22:30:00"), NIGHT, zone) == ""


def test_the_day_of_the_budget_is_the_homes() -> None:
    east = timezone(timedelta(hours=10))
    assert day_of(ns("2026-03-01T15:00:00"), east) == "2026-03-02"
    assert day_of(ns("2026-03-01T15:00:00"), UTC) == "2026-03-01"
