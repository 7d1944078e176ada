"""Differences of shares against statsmodels and Newcombe's own worked examples."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from statsmodels.stats.proportion import confint_proportions_2indep

from whichhop.stats.difference import Difference, design_effect, less, share_difference
from whichhop.stats.proportion import Interval, wilson

COUNTS = st.integers(1, 5000).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n)))


@given(COUNTS, COUNTS, st.floats(0.5, 0.999))
def test_the_interval_is_statsmodels_newcombe_interval(
    before: tuple[int, int], after: tuple[int, int], confidence: float
) -> None:
    low, high = confint_proportions_2indep(*after, *before, method="newcomb", alpha=1 - confidence)
    found = share_difference(before, after, confidence)
    assert found.interval.low == pytest.approx(low, abs=1e-9)
    assert found.interval.high == pytest.approx(high, abs=1e-9)


# Newcombe 1998, table II, method 10; from memory.
@pytest.mark.parametrize(
    ("one", "other", "low", "high"),
    [
        ((56, 70), (48, 80), 0.0524, 0.3339),
        ((9, 10), (3, 10), 0.1705, 0.8090),
        ((0, 56), (0, 56), -0.0642, 0.0642),
    ],
)
def test_newcombes_own_examples(
    one: tuple[int, int], other: tuple[int, int], low: float, high: float
) -> None:
    found = share_difference(other, one).interval
    assert found.low == pytest.approx(low, abs=6e-4)
    assert found.high == pytest.approx(high, abs=6e-4)


def test_nothing_sent_on_a_side_is_no_share() -> None:
    with pytest.raises(ValueError, match="needs trials"):
        share_difference((0, 0), (1, 10))


def _wilson(counts: tuple[int, int]) -> Difference:
    return Difference(estimate=counts[0] / counts[1], interval=wilson(*counts))


@given(COUNTS, COUNTS)
def test_a_difference_of_two_score_intervals_is_newcombes(
    before: tuple[int, int], after: tuple[int, int]
) -> None:
    # Zou and Donner 2008: their method's first case is Newcombe's
    found = less(_wilson(after), _wilson(before)).interval
    wanted = share_difference(before, after).interval
    assert (found.low, found.high) == (pytest.approx(wanted.low), pytest.approx(wanted.high))


def test_intervals_of_two_confidences_are_not_mixed() -> None:
    other = Difference(estimate=0.0, interval=Interval(low=-1, high=1, confidence=0.9))
    with pytest.raises(ValueError, match="cannot be taken"):
        less(_wilson((1, 10)), other)


def test_independent_losses_have_a_design_effect_near_one_and_bursts_a_large_one() -> None:
    rng = np.random.default_rng(5)
    totals = [3600.0] * 200
    plain = rng.binomial(3600, 0.01, 200).astype(float)
    assert 1.0 <= design_effect(list(plain), totals) < 1.3
    # Losses in runs of ten: the variance of a count of runs is ten times as large, by hand.
    runs = 10.0 * rng.binomial(360, 0.01, 200)
    assert design_effect(list(runs), totals) == pytest.approx(10.0, rel=0.3)


@given(st.lists(st.tuples(st.integers(0, 50), st.integers(50, 4000)), max_size=30))
def test_a_design_effect_never_makes_an_interval_narrower(rows: list[tuple[int, int]]) -> None:
    assert design_effect([float(x) for x, _ in rows], [float(n) for _, n in rows]) >= 1.0
