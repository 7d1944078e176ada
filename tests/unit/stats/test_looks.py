"""Looking often must not find what is not there; and how much more is needed to know."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats
from statsmodels.stats.power import NormalIndPower

from whichhop.stats.looks import EFFICIENCY, alpha_at, least_pairs, pairs_needed


@given(st.integers(1, 500), st.floats(0.001, 0.2))
def test_all_looks_together_use_up_no_more_than_the_whole(looks: int, alpha: float) -> None:
    assert sum(alpha_at(k, alpha) for k in range(1, looks + 1)) < alpha


def test_looks_are_counted_from_one() -> None:
    with pytest.raises(ValueError, match="counted from 1"):
        alpha_at(0)


@pytest.mark.slow
def test_peeking_every_day_for_ten_days_errs_seldom_with_spent_alpha_and_often_without() -> None:
    rng = np.random.default_rng(9)
    fooled = {"plain": 0, "spent": 0}
    tries = 300
    for _ in range(tries):
        values = rng.normal(0, 1, 240)
        p = [stats.wilcoxon(values[: 24 * k]).pvalue for k in range(1, 11)]
        fooled["plain"] += min(p) < 0.05
        fooled["spent"] += any(one < alpha_at(k) for k, one in enumerate(p, 1))
    assert fooled["plain"] / tries > 0.12
    assert fooled["spent"] / tries <= 0.05


@pytest.mark.parametrize(
    ("shift", "spread", "alpha"), [(0.5, 1.0, 0.05), (1.0, 4.0, 0.0017), (3.0, 2.0, 0.01)]
)
def test_the_pairs_needed_are_statsmodels_over_the_rank_tests_efficiency(
    shift: float, spread: float, alpha: float
) -> None:
    # one sample: statsmodels' z-test power with no second sample
    wanted = NormalIndPower(ddof=0).solve_power(shift / spread, alpha=alpha, power=0.8, ratio=0)
    found = pairs_needed(shift, spread, alpha)
    assert found == max(least_pairs(alpha), int(np.ceil(wanted / EFFICIENCY)))


@pytest.mark.parametrize("alpha", [0.05, 0.0017, 1e-4])
def test_the_fewest_pairs_are_where_scipys_exact_test_can_first_reject(alpha: float) -> None:
    n = least_pairs(alpha)
    assert stats.wilcoxon(np.arange(1, n + 1), method="exact").pvalue <= alpha
    assert stats.wilcoxon(np.arange(1, n), method="exact").pvalue > alpha


def test_a_shift_of_nothing_cannot_be_shown() -> None:
    with pytest.raises(ValueError, match="cannot be shown"):
        pairs_needed(0.0, 1.0, 0.05)
