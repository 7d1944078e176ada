"""Marks on the axes: round, inside the span, and on round local hours after a clock change as before."""

from datetime import UTC, datetime
from zoneinfo import ZoneInfo

from hypothesis import given
from hypothesis import strategies as st

from whichhop.report.ticks import nice_top, time_marks

LISBON = ZoneInfo("Europe/Lisbon")
S = 10**9


def ns(text: str) -> int:
    return int(datetime.fromisoformat(text).replace(tzinfo=UTC).timestamp()) * S


@given(st.floats(1e-6, 1e9))
def test_the_top_of_an_axis_is_over_the_value_and_not_far(value: float) -> None:
    top, step = nice_top(value)
    assert value <= top * (1 + 1e-6)
    assert top <= 2.5 * value
    assert 3.9 < top / step < 5.1 or top / step == 4


def test_midnights_stay_midnights_over_a_clock_change() -> None:
    marks = time_marks(ns("2026-10-20T12:00:00"), ns("2026-10-30T12:00:00"), LISBON)
    hours = [datetime.fromtimestamp(at / S, LISBON).hour for at, _ in marks]
    assert len(marks) >= 4
    assert set(hours) == {0}


def test_a_clock_change_is_told_on_the_axis() -> None:
    words = [w for _, w in time_marks(ns("2026-10-24T23:00:00"), ns("2026-10-25T04:00:00"), LISBON)]
    assert sum("clock changed" in w for w in words) == 1


@given(st.integers(0, 2**31), st.integers(60, 90 * 86400))
def test_marks_lie_in_the_span_in_order_and_are_few(start_s: int, length_s: int) -> None:
    marks = [at for at, _ in time_marks(start_s * S, (start_s + length_s) * S, LISBON)]
    assert marks == sorted(set(marks))
    assert len(marks) <= 12
    assert all(start_s * S <= at <= (start_s + length_s) * S for at in marks)
