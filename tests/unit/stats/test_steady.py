"""The settled rate of a transfer: slots cut from counts, steady or not, and what the estimate then is."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from whichhop.stats.responsiveness import Point, settle, slot_rates

S = 1_000_000_000


def at_rate(bps: float, seconds: float, every_s: float = 0.05) -> list[Point]:
    count = round(seconds / every_s)
    return [(round(i * every_s * S), round(i * every_s * bps / 8)) for i in range(count + 1)]


def test_a_constant_rate_is_had_from_whole_slots_after_the_skip() -> None:
    rates = slot_rates(at_rate(80e6, 3.0))
    assert len(rates) == 8
    assert rates == pytest.approx([80e6] * 8, rel=1e-6)


def test_slow_start_is_left_out() -> None:
    slow = [(round(i * 0.05 * S), i * 100) for i in range(20)]
    fast = [(S + t, 1_900 + o) for t, o in at_rate(80e6, 2.0)]
    found = settle(slot_rates([*slow, *fast]))
    assert found is not None
    assert found.steady
    assert found.rate_bps == pytest.approx(80e6, rel=1e-6)


def test_four_slots_that_agree_within_two_per_cent_are_steady_and_more_apart_are_not() -> None:
    good, bad = settle([100.0, 101.0, 100.5, 99.5]), settle([100.0, 103.0, 100.5, 99.5])
    assert good is not None
    assert bad is not None
    assert good.steady
    assert not bad.steady


def test_three_slots_are_never_steady() -> None:
    found = settle([100.0] * 3)
    assert found is not None
    assert not found.steady


def test_no_points_no_rate() -> None:
    assert slot_rates([]) == []
    assert settle([]) is None


def test_a_stall_is_not_steady_at_nothing() -> None:
    found = settle([0.0] * 5)
    assert found is not None
    assert not found.steady


def test_slots_most_of_which_are_empty_have_a_spread_that_a_store_can_keep() -> None:
    # Their median is nought; against their mean of 1 Mbit/s they are 4 apart.
    found = settle([0.0, 0.0, 4e6, 0.0])
    assert found is not None
    assert (found.rate_bps, found.spread, found.steady) == (0.0, 4.0, False)


@given(st.lists(st.just(0.0) | st.floats(1, 1e11), min_size=1, max_size=12))
def test_a_spread_is_always_a_number(rates: list[float]) -> None:
    found = settle(rates)
    assert found is not None
    assert math.isfinite(found.spread)
    assert found.rate_bps > 0 or not found.steady


@given(
    st.floats(1e6, 1e10),
    st.lists(st.integers(1_000_000, 200_000_000), min_size=30, max_size=80),
)
def test_the_rhythm_of_the_points_does_not_matter(bps: float, gaps_ns: list[int]) -> None:
    now, points = 0, [(0, 0)]
    for gap in gaps_ns:
        now += gap
        points.append((now, round(now / S * bps / 8)))
    for rate in slot_rates(points):
        assert rate == pytest.approx(bps, rel=1e-3, abs=100)
