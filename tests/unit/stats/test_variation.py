"""Delay variation: the properties RFC 5481 names, and the hard inputs."""

import math
import random

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from whichhop.stats.delay import ipdv, pdv

DELAYS = st.lists(st.integers(0, 10**9).map(float) | st.just(math.inf), max_size=50)
ANSWERED = st.lists(st.integers(0, 10**9).map(float), min_size=2, max_size=50)


@given(DELAYS, st.randoms(use_true_random=False))
def test_shuffling_packets_leaves_pdv_as_it_was(delays: list[float], dice: random.Random) -> None:
    # RFC 5481 4.2: PDV does not depend on order
    shuffled = list(delays)
    dice.shuffle(shuffled)
    assert sorted(pdv(shuffled)) == sorted(pdv(delays))


def test_ipdv_depends_on_order() -> None:
    assert np.abs(ipdv([1, 2, 3])[1:]).mean() < np.abs(ipdv([1, 3, 2])[1:]).mean()


@given(ANSWERED)
def test_ipdv_sums_to_the_last_delay_less_the_first(delays: list[float]) -> None:
    steps = ipdv(delays)
    assert math.isnan(steps[0])
    assert steps[1:].sum() == pytest.approx(delays[-1] - delays[0], abs=1e-3)


@given(ANSWERED, st.integers(-(10**9), 10**9))
def test_a_constant_clock_offset_changes_neither(delays: list[float], offset: int) -> None:
    moved = [d + offset for d in delays]
    assert ipdv(moved)[1:].tolist() == ipdv(delays)[1:].tolist()
    assert pdv(moved).tolist() == pdv(delays).tolist()


@given(ANSWERED)
def test_the_range_of_ipdv_is_at_most_twice_that_of_pdv(delays: list[float]) -> None:
    steps, widest = ipdv(delays)[1:], np.ptp(pdv(delays))
    assert np.ptp(steps) <= 2 * widest
    assert np.abs(steps).mean() <= widest


@given(DELAYS)
def test_the_smallest_pdv_of_an_answered_sample_is_zero(delays: list[float]) -> None:
    above = pdv(delays)
    assert len(above) == len(delays)
    if np.isfinite(above).any():
        assert above.min() == 0
    assert (np.isinf(above) == np.isinf(delays)).all()


def test_a_lost_packet_leaves_two_differences_undefined() -> None:
    steps = ipdv([10, math.inf, 30, 35])
    assert np.isnan(steps).tolist() == [True, True, True, False]


def test_empty_all_lost_and_single_sample_have_no_ipdv() -> None:
    assert len(ipdv([])) == len(pdv([])) == 0
    assert np.isnan(ipdv([math.inf] * 3)).all()
    assert np.isnan(ipdv([5.0])).all()
    assert pdv([math.inf]).tolist() == [math.inf]
    assert pdv([5.0]).tolist() == [0]
