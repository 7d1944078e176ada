"""Levels over time beside the loss, and the channels' rows: sums of differences, never of totals."""

import pytest

from support.channels import down, reading, up
from whichhop.cabling.levels_beside_loss import MOST_TIMES, channel_rows, level_times
from whichhop.model import ModemLevels


def history(count: int, *, restart_at: int | None = None) -> list[ModemLevels]:
    """A reading a minute; a channel loses 10 codewords of 1,000 each minute, the upstream a T3 each."""
    out = []
    for i in range(count):
        n = i if restart_at is None or i < restart_at else i - restart_at
        counts = {"unerrored": 5000 + 985 * n, "corrected": 7 + 5 * n, "uncorrectable": 3 + 10 * n}
        channels = [down(1, **counts), down(2, power_dbmv=-9.0 - i / 10), up(1, t3_timeouts=n)]
        out.append(reading(channels, at_s=60.0 * i))
    return out


def test_a_row_counts_from_the_reading_before_and_takes_the_loss_of_its_own_time() -> None:
    rows = level_times(history(4), lambda a, b: (int((b - a) / 1e9), 3))
    assert [r.uncorrectable for r in rows] == [10, 10, 10]
    assert [r.codewords for r in rows] == [1000] * 3
    assert [r.timeouts for r in rows] == [1] * 3
    assert [(r.sent, r.lost) for r in rows] == [(60, 3)] * 3
    assert rows[0].down_low_dbmv == pytest.approx(-9.1)


@pytest.mark.parametrize("count", [2, 24, 25, 26, 300])
def test_however_many_readings_nothing_is_counted_twice_or_left_out(count: int) -> None:
    rows = level_times(history(count), lambda a, b: (int((b - a) / 1e9), 0))
    assert 1 <= len(rows) <= MOST_TIMES
    assert sum(r.uncorrectable or 0 for r in rows) == 10 * (count - 1)
    assert sum(r.sent for r in rows) == 60 * (count - 1)
    assert sum(r.readings for r in rows) == count - 1
    assert [a.end_ns for a in rows[:-1]] == [b.start_ns for b in rows[1:]]


def test_one_reading_has_no_time_and_a_restart_counts_nothing() -> None:
    assert level_times(history(1), lambda _a, _b: (0, 0)) == ()
    rows = level_times(history(6, restart_at=3), lambda _a, _b: (0, 0))
    assert [r.uncorrectable for r in rows] == [10, 10, None, 10, 10]
    assert [r.timeouts for r in rows] == [1, 1, None, 1, 1]


def test_a_channel_has_its_newest_value_its_range_and_its_counts() -> None:
    first, second, third = channel_rows(history(11))
    assert (first.uncorrectable, first.corrected) == (100, 50)
    assert (second.power_dbmv, second.low_dbmv, second.high_dbmv) == (-10.0, -10.0, -9.0)
    assert (third.name, third.timeouts) == ("up-1", 10)
