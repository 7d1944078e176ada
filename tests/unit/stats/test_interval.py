"""Intervals against the tests that they invert, and by how often they hold the truth."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from whichhop.stats import interval


@pytest.mark.parametrize("share", [0.5, 0.95])
def test_a_quantiles_interval_holds_the_true_quantile_as_often_as_it_says(share: float) -> None:
    rng = np.random.default_rng(1)
    true = -math.log(1 - share)  # of the exponential law
    held = sum(true in interval.quantile_interval(rng.exponential(size=200), share) for _ in range(800))
    # at least 95 % of 800; binomial, four sigma under is 735; order statistics cover a little more
    assert held >= 735


def test_a_quantiles_interval_has_no_end_where_too_few_samples_stand() -> None:
    few = interval.quantile_interval([1.0, 2.0, 3.0], 0.99)
    assert few.high == math.inf
    assert interval.quantile_interval([], 0.5).low == -math.inf
    lost = interval.quantile_interval([5.0] * 90 + [math.inf] * 10, 0.95)
    assert lost.high == math.inf
    with pytest.raises(ValueError, match="share"):
        interval.quantile_interval([1.0], 1.5)


@given(
    st.integers(1, 100_000),
    st.sampled_from([0.0, 1.0]) | st.floats(0.001, 0.999),
    st.sampled_from([0.005, 0.025, 0.05, 0.95, 0.975, 0.995]),
)
def test_a_binomial_quantile_is_the_least_count_that_reaches_its_tail(
    n: int, share: float, tail: float
) -> None:
    k = interval.binomial_quantile(tail, n, share)
    # Against the general-purpose library's distribution; a hair of room where a step meets the tail.
    assert stats.binom.cdf(k, n, share) >= tail - 1e-9
    assert k == 0 or stats.binom.cdf(k - 1, n, share) < tail + 1e-9
