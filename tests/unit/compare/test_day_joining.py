"""How two days' words about one trouble become one."""

import numpy as np
from msgspec.structs import replace

from whichhop.compare.day_judging import DayJudged, DaySpan, joined
from whichhop.model import Cause, Verdict

HOUR = 3600 * 10**9
DAY = 24 * HOUR


def said(start: float, end: float | None, *elements: str, probability: float = 0.9) -> Verdict:
    """A verdict; hours since the first day's begin."""
    return Verdict(
        cause=Cause.BACKHAUL,
        elements=elements or ("attic/router",),
        probability=probability,
        start_ns=round(start * HOUR),
        end_ns=None if end is None else round(end * HOUR),
    )


def day(number: int, *changed: Verdict, seen_h: float | None = None) -> DayJudged:
    """The day of that number; seen_h: hours since the first day's begin until which it looked."""
    begin = number * DAY
    span = DaySpan(begin_ns=begin, end_ns=begin + DAY, from_ns=max(0, begin - DAY), to_ns=begin + DAY + HOUR)
    return DayJudged(
        span=span,
        step_ns=10**10,
        first_ns=begin,
        last_ns=begin + DAY,
        seen_ns=span.to_ns if seen_h is None else round(seen_h * HOUR),
        changed=changed,
        stood=(),
        levels=(),
        beginning=number == 0,
        packets=1,
        heard=(),
        spoke=(),
        answered=(),
        coarse=False,
        stamps={},
        clocks={},
        aside={},
        columns=(),
        speaks=np.zeros((8640, 0), dtype=bool),
        use=np.full(8640, np.nan),
    )


def spans(found: list[Verdict]) -> list[tuple[float, float | None]]:
    return [(v.start_ns / HOUR, None if v.end_ns is None else v.end_ns / HOUR) for v in found]


def test_what_both_days_saw_whole_is_told_once() -> None:
    assert spans(joined([day(0, said(23.5, 24.5)), day(1, said(23.5, 24.5))])) == [(23.5, 24.5)]


def test_what_goes_on_keeps_its_begin_and_gets_the_end_that_the_later_day_knows() -> None:
    # the second day's run-in begins in the midst of it
    found = joined([day(0, said(2.0, None)), day(1, said(20.0, 30.0))])
    assert spans(found) == [(2.0, 30.0)]
    three = joined([day(0, said(23.0, None)), day(1, said(23.0, None)), day(2, said(24.2, 50.0))])
    assert spans(three) == [(23.0, 50.0)]


def test_the_words_are_of_the_day_that_saw_more_of_it() -> None:
    (one,) = joined([day(0, said(22.0, None, probability=0.7)), day(1, said(22.0, 40.0, probability=0.95))])
    assert one.probability == 0.95
    group = said(23.9, None, "attic/router", "node:router")
    (other,) = joined([day(0, group), day(1, said(23.9, 26.0, "attic/router"))])
    assert other.elements == ("attic/router",)


def test_what_begins_in_the_run_out_is_the_next_days_to_tell() -> None:
    assert spans(joined([day(0, said(24.2, 24.4)), day(1, said(24.3, 24.5))])) == [(24.3, 24.5)]
    assert joined([day(0, said(24.2, 24.4)), day(1)]) == []


def test_a_begin_seen_on_either_side_of_midnight_is_lost_by_neither() -> None:
    assert spans(joined([day(0, said(24.001, 24.5)), day(1, said(23.999, 24.5))])) == [(23.999, 24.5)]
    assert spans(joined([day(0, said(23.999, 24.5)), day(1, said(24.001, 24.5))])) == [(23.999, 24.5)]


def test_other_elements_and_other_times_stay_apart() -> None:
    line = said(23.8, 24.2, "modem/provider-edge")
    found = joined([day(0, said(23.8, 24.2), line), day(1, said(23.8, 24.2), line, said(24.4, 24.6))])
    assert spans(found) == [(23.8, 24.2), (23.8, 24.2), (24.4, 24.6)]
    assert {v.elements[0] for v in found} == {"attic/router", "modem/provider-edge"}


def test_what_a_day_left_open_and_the_next_one_does_not_see_ended_where_it_was_seen_last() -> None:
    assert spans(joined([day(0, said(23.0, None)), day(1)])) == [(23.0, 25.0)]
    # measuring ended with it, and began again days later
    assert spans(joined([day(0, said(20.0, None), seen_h=21.0), day(4)])) == [(20.0, 21.0)]


def test_what_lasts_at_the_spans_end_has_no_end() -> None:
    assert spans(joined([day(0), day(1, said(40.0, None), seen_h=48.0)])) == [(40.0, None)]
    two = joined([day(0, said(23.0, None)), replace(day(1, said(23.0, None)), seen_ns=2 * DAY)])
    assert spans(two) == [(23.0, None)]
