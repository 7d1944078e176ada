"""Looking often must not find what is not there; and how much more is needed to know."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats
from statsmodels.stats.power import TTestIndPower

from whichhop.stats.looks import MOST_DAYS, alpha_at, days_needed


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
    values = rng.normal(0, 1, (tries, 240))
    looks = [stats.wilcoxon(values[:, : 24 * k], axis=1).pvalue for k in range(1, 11)]
    for p in zip(*looks, strict=True):
        fooled["plain"] += min(p) < 0.05
        fooled["spent"] += any(one < alpha_at(k) for k, one in enumerate(p, 1))
    assert fooled["plain"] / tries > 0.12
    assert fooled["spent"] / tries <= 0.05


def test_a_large_change_needs_about_what_statsmodels_says_of_a_t_test() -> None:
    # Days differ by 1, 20 of them before and 2 after, a change of 1.5: what a t-test at the next look's alpha
    # needs for half a chance is a lower bound, what it needs for one of 1.0 nearly always an upper one.
    alpha = 0.05 * alpha_at(2) / alpha_at(1)
    found = days_needed(1.5, 1.0 * (1 / 20 + 1 / 2) ** 0.5, least=0.5, days=(20, 2), alpha=0.05, look=1)
    half = TTestIndPower().solve_power(1.5, nobs1=20, alpha=alpha, power=0.5, ratio=None)
    assert found >= round(half * 20) - 2
    sure = TTestIndPower().solve_power(1.0, nobs1=20, alpha=alpha, power=0.9, ratio=None)
    assert found <= sure * 20 - 2


def test_what_two_months_would_not_tell_is_none() -> None:
    assert days_needed(0.5, 2.0, least=0.5, days=(7, 7), alpha=0.001, look=3) == 0
    assert 1 <= days_needed(5.0, 1.0, least=1.0, days=(7, 3), alpha=0.001, look=1) <= MOST_DAYS
