"""A path's figures beyond a span: against scipy's t of days' means, and covering when days differ."""

import numpy as np
import pytest
from scipy import stats

from whichhop.model import Columns, Fate, Method, Record, Sample, SessionKey
from whichhop.stats.measures import measures
from whichhop.stats.measures_of_path import batch_means

KEY = SessionKey(agent="desk", target="router", method=Method.ECHO)
HOUR = 3600 * 10**9


def hours(many: int, trip_ns: list[int], lost: int = 0) -> list[Record]:
    """A minute of 40 packets that stands for each hour."""
    out = []
    for n in range(many):
        samples = [
            Sample(
                sent_ns=n * HOUR + i * 10**9,
                fate=Fate.LOST if i < lost else Fate.ANSWERED,
                rtt_ns=None if i < lost else trip_ns[n // 24],
            )
            for i in range(40)
        ]
        out.append(Record(session=KEY, minute=n * 60, samples=Columns.of(samples)))
    return out


def test_days_are_the_unit_where_there_are_four() -> None:
    days = [6_000_000, 7_000_000, 5_500_000, 8_000_000, 6_500_000]
    rows = {row.name: row for row in measures(hours(120, days, lost=4))}
    found = rows["path-round-trip-50"]
    low, high = stats.t.interval(0.95, 4, loc=np.mean(days), scale=stats.sem(days))
    assert (found.value, found.low, found.high) == pytest.approx((6.6e-3, low * 1e-9, high * 1e-9))
    assert "5 days" in found.interval
    assert rows["path-loss"].value == pytest.approx(0.1)
    # the span's own interval is of its packets, far narrower, and says so
    span = rows["round-trip-50"]
    assert span.low is not None
    assert span.high is not None
    assert span.high - span.low < (high - low) * 1e-9
    assert "of this span" in span.interval


def test_under_twelve_hours_the_path_is_not_told() -> None:
    rows = {row.name: row for row in measures(hours(11, [6_000_000]))}
    assert rows["path-round-trip-50"].value is None
    assert "12 hours" in rows["path-round-trip-50"].withheld


@pytest.mark.parametrize("differ", [0.0, 2.0])
def test_the_interval_covers_the_path_when_days_differ(differ: float) -> None:
    dice = np.random.default_rng([3, round(differ)])
    groups = np.repeat(np.arange(7.0), 24)
    covered = 0
    for _ in range(2000):
        values = dice.standard_normal(168) + np.repeat(differ * dice.standard_normal(7), 24)
        _, low, high = batch_means(values, groups)
        covered += low <= 0.0 <= high
    assert 0.93 <= covered / 2000 <= 0.97
