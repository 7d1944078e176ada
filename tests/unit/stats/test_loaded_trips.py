"""The loaded connection's round trips second by second, slow start left out."""

import pytest

from whichhop.stats.responsiveness import loaded_trips, per_interval


def test_whole_seconds_past_the_first_are_averaged_and_the_rest_left_out() -> None:
    samples = [(0.5, 900.0), (1.0, 10.0), (1.9, 20.0), (2.5, 40.0), (4.2, 60.0)]
    assert per_interval(samples, 4.9) == (15.0, 40.0, None)
    assert loaded_trips(samples, 4.9).mean_ms == pytest.approx((10 + 20 + 40 + 60) / 4)


def test_a_transfer_that_ended_in_slow_start_has_neither() -> None:
    found = loaded_trips([(0.3, 50.0)], 0.8)
    assert (found.mean_ms, found.per_interval_ms) == (None, ())
