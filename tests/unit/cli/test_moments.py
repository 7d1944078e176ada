"""Times of a long span are told with their dates."""

from support.homes import alder
from whichhop.cli.text import clock_text, moment_text, times_in

AT_NS = 1_772_388_010 * 10**9


def test_a_moment_of_more_than_a_day_has_its_date() -> None:
    times_in(alder("home: Alder House", "home: Alder House\nzone: Europe/Lisbon"))
    assert moment_text(AT_NS, 86_400.0) == "18:00:10"
    assert moment_text(AT_NS, 86_410.0) == "2026-03-01 18:00:10"


def test_an_hour_that_a_change_of_time_has_twice_is_told_with_its_zone() -> None:
    # Seen: "since 02:45:00 until 02:30:00". Summer time ended on 2026-10-25 at 01:00 UTC (tz database).
    times_in(alder("home: Alder House", "home: Alder House\nzone: Europe/Berlin"))
    change_ns = 1_792_890_000 * 10**9  # `date -u -d 2026-10-25T01:00Z +%s`
    quarter_ns = 900 * 10**9
    assert moment_text(change_ns - quarter_ns, 3600.0) == "02:45:00 CEST (UTC+2)"
    assert moment_text(change_ns + 2 * quarter_ns, 3600.0) == "02:30:00 CET (UTC+1)"
    assert clock_text(change_ns + 4 * quarter_ns, seconds=False) == "03:00"
