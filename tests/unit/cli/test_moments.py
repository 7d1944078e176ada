"""Times of a long span are told with their dates."""

from support.homes import alder
from whichhop.cli.text import moment_text, times_in

AT_NS = 1_772_388_010 * 10**9


def test_a_moment_of_more_than_a_day_has_its_date() -> None:
    times_in(alder("home: Alder House", "home: Alder House\nzone: Europe/Lisbon"))
    assert moment_text(AT_NS, 86_400.0) == "18:00:10"
    assert moment_text(AT_NS, 86_410.0) == "2026-03-01 18:00:10"
