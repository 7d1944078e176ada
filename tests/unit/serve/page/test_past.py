"""The last week and month as HTML text."""

import re
from datetime import UTC
from html import unescape

from msgspec.structs import replace

from support.bulletins import DAY_NS, HOUR_NS, NOW_NS, calm, weeks
from whichhop.compare.day_book import past_days
from whichhop.model import Cause
from whichhop.model.bulletin import Bulletin
from whichhop.model.channel import LevelSpan
from whichhop.model.past_fault import PastFault
from whichhop.serve.page.modem import modem
from whichhop.serve.page.past import past

MIDNIGHT = NOW_NS // DAY_NS * DAY_NS
ALL = (1 << 60) - 1
JUDGED = {MIDNIGHT // HOUR_NS + hour: ALL for hour in range(-31 * 24, 24)}


def shown(bulletin: Bulletin) -> str:
    assert bulletin.past is not None
    return str(past(bulletin.past, bulletin))


def items(bulletin: Bulletin) -> list[str]:
    """The words of each line of days."""
    found = re.findall(r"<li[^>]*><p>(.*?)</p>", shown(bulletin))
    return [unescape(re.sub("<.*?>", "", item)) for item in found]


def of(faults: list[PastFault], judged: dict[int, int]) -> Bulletin:
    return replace(calm(), past=past_days(faults, judged, now_ns=calm().at_ns, zone=UTC))


def test_a_month_of_evenings_is_told_by_the_day() -> None:
    text = shown(weeks())
    assert "10 episodes in 7 days, 16 h 11 min of fault: 6 at the access line;" in text
    rows = items(weeks())
    assert rows[0] == "Sun 2026-03-01 so far: 1 episode (the home's to fix), 11 min"
    assert rows[1] == (
        "Sat 2026-02-28: 1 episode (the home's to fix), 1 h; 1 episode (the provider's, or further),"
        " 1 h 15 min"
    )
    assert "2026-01-30 to 2026-02-16: not judged" in rows


def test_every_evening_stands_at_its_hour() -> None:
    """19:30 is 81.25 % of a day, and an hour and a quarter 5.21 % of it."""
    bars = re.findall(r'<rect class="bar bar-provider" x="([\d.]+)%" width="([\d.]+)%"', shown(weeks()))
    assert len(bars) == 11
    assert set(bars) == {("81.25", "5.21")}


def test_a_home_that_was_just_set_up_is_not_told_that_no_fault_was_found_in_days() -> None:
    new = of([], {NOW_NS // HOUR_NS: 15})
    (first, *_) = shown(new).split("</p>")
    assert first.endswith("No fault found in what was judged of 7 days. Not judged: 6 d 18 h.")
    assert items(new)[0].startswith("Sun 2026-03-01 so far: no fault found; not judged for 18 h")
    assert "Nothing was judged in 7 days." in shown(of([], {}))
    assert items(of([], {}))[0] == "Sun 2026-03-01 so far: not judged"


def test_days_without_fault_that_were_judged_whole_say_no_more_than_that() -> None:
    calm_month = of([], JUDGED)
    assert "No fault found in 7 days." in shown(calm_month)
    assert "No fault found in 31 days." in shown(calm_month)
    assert "ot judged" not in shown(calm_month)


def test_names_from_outside_are_escaped() -> None:
    evil = PastFault(
        cause=Cause.BACKHAUL, elements=("<script>",), start_ns=MIDNIGHT, end_ns=MIDNIGHT + HOUR_NS
    )
    assert "<script>" not in shown(of([evil], JUDGED))


def test_a_line_of_levels_is_broken_where_no_day_is_known_and_names_the_worst_day() -> None:
    found = weeks()
    assert found.past is not None
    (one,) = found.modems
    text = str(modem(one, NOW_NS, {d.start_ns: d.day for d in found.past.days}))
    month = text.partition("The last month, day by day")[2].partition("</details>")[0]
    assert "49.0 to 50.1 dBmV, worst on 2026-02-18; limit 50 dBmV" in month
    assert month.count("<polyline") == 2 * month.count("<svg") == 10
    alone = replace(one, days=(LevelSpan(start_ns=MIDNIGHT, down_low_dbmv=-9.0),))
    assert "day by day" not in str(modem(alone, NOW_NS, {}))
