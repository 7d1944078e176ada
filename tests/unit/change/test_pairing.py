"""Hours before and after meet at the same hours of day, and are sorted by the days on the wall."""

from datetime import UTC, datetime
from zoneinfo import ZoneInfo

from hypothesis import given
from hypothesis import strategies as st

from whichhop.change.hours import WEEKDAYS, WEEKENDS, local_place, match_hours, part_words
from whichhop.stats.level_step import AFTER, BEFORE, PAST

HOURS = st.sets(st.integers(490_000, 490_400), max_size=60)
MONDAY = int(datetime(2026, 3, 2, tzinfo=UTC).timestamp()) // 3600  # date -d 2026-03-02 +%a
BERLIN = ZoneInfo("Europe/Berlin")


@given(HOURS, HOURS)
def test_only_hours_of_day_that_both_sides_have_are_kept_each_once(before: set[int], after: set[int]) -> None:
    after = {h + 500 for h in after}
    found = match_hours(before, after, UTC)
    both = {h % 24 for h in before} & {h % 24 for h in after}
    assert sorted(found.hours.tolist()) == sorted(h for h in before | after if h % 24 in both)
    side = found.places.side[found.block]
    assert {int(h) for h, s in zip(found.hours, side, strict=True) if s == BEFORE} <= before
    assert {int(h) for h, s in zip(found.hours, side, strict=True) if s == AFTER} <= after
    assert bool(found.matched) == bool(both)


def test_ten_evenings_before_and_one_after_are_one_pair() -> None:
    before = [MONDAY + 24 * day + 20 for day in range(5)]
    found = match_hours(before, [MONDAY + 24 * 7 + 20], UTC)
    assert (found.matched, found.days_before, found.days_after) == (1, 5, 1)


def test_kinds_of_days_are_those_that_both_sides_have() -> None:
    week = [MONDAY + h for h in range(7 * 24)]
    assert match_hours(week, [h + 7 * 24 for h in week], UTC).kinds == (WEEKDAYS, WEEKENDS)
    assert match_hours(week, [h + 7 * 24 for h in week[:72]], UTC).kinds == (WEEKDAYS,)
    assert match_hours(week[: 5 * 24], week[5 * 24 :], UTC).kinds == ()


def test_the_hours_of_day_follow_the_change_to_summer_time() -> None:
    # 2026-03-29 01:00 UTC: clocks in Berlin go from 2 to 3; 18:00 local is 17:00 and then 16:00 UTC.
    def utc(day: int, hour: int) -> int:
        return int(datetime(2026, 3, day, hour, tzinfo=UTC).timestamp()) // 3600

    assert match_hours([utc(27, 17)], [utc(30, 16)], BERLIN).matched == 1
    assert match_hours([utc(27, 17)], [utc(30, 17)], BERLIN).matched == 0
    assert local_place(utc(30, 16), BERLIN) == (18, (datetime(2026, 3, 30) - datetime(1970, 1, 1)).days)


def test_a_day_that_the_change_cuts_has_blocks_on_both_sides() -> None:
    found = match_hours(range(MONDAY, MONDAY + 12), range(MONDAY + 24, MONDAY + 36), UTC, [MONDAY - 24])
    assert found.places.side.tolist() == [PAST, BEFORE, BEFORE, AFTER, AFTER]
    assert part_words(3) == "evening (18:00 to 24:00)"
