"""Times in a report over clock changes; the changes' instants are those of the IANA time zone database."""

from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import pytest

from whichhop.model.figure_words import how_long, instant_words
from whichhop.report.words import span, utc, utc_span

LISBON = ZoneInfo("Europe/Lisbon")


def ns(text: str) -> int:
    return int(datetime.fromisoformat(text).replace(tzinfo=UTC).timestamp()) * 10**9


def test_the_hour_that_comes_twice_is_told_apart_by_its_offset() -> None:
    # Summer time in Lisbon ended on 25 October 2026 at 01:00 UTC.
    assert instant_words(ns("2026-10-25T00:30:00"), LISBON) == "2026-10-25 01:30:00 WEST (UTC+1)"
    assert instant_words(ns("2026-10-25T01:30:00"), LISBON) == "2026-10-25 01:30:00 WET (UTC+0)"


def test_a_span_over_a_clock_change_says_both_offsets() -> None:
    words = span(ns("2026-10-25T00:30:00"), ns("2026-10-25T01:30:00"), LISBON)
    assert words == "2026-10-25 01:30:00 WEST (UTC+1) to 2026-10-25 01:30:00 WET (UTC+0)"


def test_a_span_inside_one_day_says_day_and_offset_once() -> None:
    words = span(ns("2026-07-01T18:00:00"), ns("2026-07-01T19:05:10"), LISBON)
    assert words == "2026-07-01 19:00:00 to 20:05:10 WEST (UTC+1)"
    assert (
        utc_span(ns("2026-07-01T18:00:00"), ns("2026-07-01T19:05:10"))
        == "2026-07-01 18:00:00 to 19:05:10 UTC"
    )


def test_a_zone_west_of_greenwich_has_a_minus() -> None:
    # Newfoundland's standard time is three and a half hours behind UTC.
    words = instant_words(ns("2026-01-10T12:00:00"), ZoneInfo("America/St_Johns"))
    assert words == "2026-01-10 08:30:00 NST (UTC-3:30)"


def test_utc_is_written_as_such() -> None:
    assert utc(ns("1970-01-01T00:00:59")) == "1970-01-01 00:00:59 UTC"


@pytest.mark.parametrize(
    ("seconds", "words"),
    [(50, "50 s"), (60, "1 min"), (90, "1 min 30 s"), (4200, "1 h 10 min"), (90000, "1 d 1 h"), (0, "0 s")],
)
def test_a_length_of_time_takes_the_two_largest_units(seconds: float, words: str) -> None:
    assert how_long(seconds) == words


def test_the_hour_that_never_comes_is_never_written() -> None:
    # Summer time in Lisbon began on 29 March 2026 at 01:00 UTC: 00:59:59 is followed by 02:00:00.
    assert instant_words(ns("2026-03-29T00:59:59"), LISBON) == "2026-03-29 00:59:59 WET (UTC+0)"
    assert instant_words(ns("2026-03-29T01:00:00"), LISBON) == "2026-03-29 02:00:00 WEST (UTC+1)"
    words = span(ns("2026-03-29T00:30:00"), ns("2026-03-29T01:30:00"), LISBON)
    assert words == "2026-03-29 00:30:00 WET (UTC+0) to 2026-03-29 02:30:00 WEST (UTC+1)"


@pytest.mark.parametrize("day", ["2026-03-29", "2026-10-25"])
def test_every_minute_of_a_day_of_a_clock_change_reads_back_as_itself(day: str) -> None:
    start = ns(f"{day}T00:00:00") - 3600 * 10**9
    texts = set()
    for minute in range(26 * 60):
        at = start + minute * 60 * 10**9
        text = instant_words(at, LISBON)
        texts.add(text)
        clock, _, offset = text.rpartition(" (UTC+")
        back = datetime.strptime(
            f"{clock.rpartition(' ')[0]} +0{offset.rstrip(')')}00", "%Y-%m-%d %H:%M:%S %z"
        )
        assert back.timestamp() * 1e9 == at
    assert len(texts) == 26 * 60  # none is written like another


def test_a_length_is_that_of_the_clock_that_never_changes() -> None:
    # From 00:30 to 02:30 by the wall on that morning is one hour.
    assert how_long((ns("2026-03-29T01:30:00") - ns("2026-03-29T00:30:00")) / 1e9) == "1 h"
