"""Marks on the axes: round, inside the span, and on round local hours after a clock change as before."""

from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from whichhop.report.plot import nice_top, time_marks

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


@pytest.mark.parametrize(("start", "end"), [("2026-10-20", "2026-10-30"), ("2026-03-24", "2026-04-03")])
def test_midnights_stay_midnights_over_a_clock_change(start: str, end: str) -> None:
    marks = time_marks(ns(f"{start}T12:00:00"), ns(f"{end}T12:00:00"), LISBON)
    hours = [datetime.fromtimestamp(at / S, LISBON).hour for at, _ in marks]
    assert len(marks) >= 4
    assert set(hours) == {0}


@pytest.mark.parametrize(("before", "day"), [("2026-10-24", "2026-10-25"), ("2026-03-28", "2026-03-29")])
def test_a_clock_change_is_told_on_the_axis_once_in_spring_and_in_autumn(before: str, day: str) -> None:
    marks = time_marks(ns(f"{before}T23:00:00"), ns(f"{day}T04:00:00"), LISBON)
    assert sum("clock changed" in words for _, words in marks) == 1
    assert [at for at, _ in marks] == sorted({at for at, _ in marks})


@given(st.integers(0, 2**31), st.integers(60, 90 * 86400))
def test_marks_lie_in_the_span_in_order_and_are_few(start_s: int, length_s: int) -> None:
    marks = [at for at, _ in time_marks(start_s * S, (start_s + length_s) * S, LISBON)]
    assert marks == sorted(set(marks))
    assert len(marks) <= 12
    assert all(start_s * S <= at <= (start_s + length_s) * S for at in marks)
