"""Hours before and after are paired by the clock on the wall."""

from datetime import UTC, datetime
from zoneinfo import ZoneInfo

from hypothesis import given
from hypothesis import strategies as st

from whichhop.change.pairing import local_kind, match_hours

HOURS = st.sets(st.integers(490_000, 490_400), max_size=60)
MONDAY = int(datetime(2026, 3, 2, tzinfo=UTC).timestamp()) // 3600  # date -d 2026-03-02 +%a
BERLIN = ZoneInfo("Europe/Berlin")


@given(HOURS, HOURS)
def test_pairs_are_disjoint_and_alike(before: set[int], after: set[int]) -> None:
    found = match_hours(before, after, UTC)
    for side, whole in (("before", before), ("after", after)):
        used = [h for pair in found.pairs for h in getattr(pair, side)]
        assert len(used) == len(set(used))
        assert set(used) <= whole
    for pair in found.pairs:
        kinds = {
            local_kind(h, UTC) if found.apart else local_kind(h, UTC)[0] for h in (*pair.before, *pair.after)
        }
        assert len(kinds) == 1
    assert found.weekdays + found.weekends == len(found.pairs)
    # Every time of day that both sides have is matched, when days are not told apart.
    both = {h % 24 for h in before} & {h % 24 for h in after}
    assert bool(found.pairs) == bool(both)


def test_ten_evenings_before_and_one_after_make_one_pair_of_all_ten() -> None:
    before = [MONDAY + 24 * day + 20 for day in range(5)]
    (pair,) = match_hours(before, [MONDAY + 24 * 7 + 20], UTC).pairs
    assert pair.before == tuple(before)


def test_weekdays_do_not_meet_weekends_while_there_is_a_choice() -> None:
    week = [MONDAY + h for h in range(7 * 24)]
    found = match_hours(week, [h + 7 * 24 for h in week], UTC)
    assert found.apart
    assert (found.weekdays, found.weekends) == (5 * 24, 2 * 24)


def test_a_change_on_friday_night_is_told_that_days_are_mixed() -> None:
    weekdays = [MONDAY + h for h in range(5 * 24)]
    weekend = [MONDAY + 5 * 24 + h for h in range(48)]
    found = match_hours(weekdays, weekend, UTC)
    assert not found.apart
    assert len(found.pairs) == 48


def test_the_hours_of_day_follow_the_change_to_summer_time() -> None:
    # 2026-03-29 01:00 UTC: clocks in Berlin go from 2 to 3; 18:00 local is 17:00 and then 16:00 UTC.
    def utc(day: int, hour: int) -> int:
        return int(datetime(2026, 3, day, hour, tzinfo=UTC).timestamp()) // 3600

    (pair,) = match_hours([utc(27, 17)], [utc(30, 16)], BERLIN).pairs
    assert pair.before == (utc(27, 17),)
    assert match_hours([utc(27, 17)], [utc(30, 17)], BERLIN).pairs == ()
