"""A share whose days are alike within themselves: against scipy's beta, and simulated days."""

from collections import Counter

import numpy as np
import pytest
from scipy import stats

from whichhop.stats.difference import clustered_share


@pytest.mark.parametrize(("hits", "tests"), [(0, 10), (7, 10), (20, 20)])
def test_one_test_a_day_is_bayes_beta_distribution(hits: int, tests: int) -> None:
    # With a flat prior the share is beta(hits + 1, misses + 1); how alike a day's tests are does not matter.
    found = clustered_share([(1, 1)] * hits + [(0, 1)] * (tests - hits))
    wanted = stats.beta(hits + 1, tests - hits + 1)
    low, high = wanted.ppf([0.025, 0.975])
    assert (found.interval().low, found.interval().high) == pytest.approx((low, high), abs=0.0026)
    assert found.under(0.8) == pytest.approx(wanted.cdf(0.8), abs=0.003)


def test_days_that_are_good_or_bad_as_a_whole_count_as_one_test_each() -> None:
    whole = clustered_share([(6, 6)] * 5 + [(0, 6)] * 4).interval()
    single = clustered_share([(1, 1)] * 5 + [(0, 1)] * 4).interval()
    assert (whole.low, whole.high) == pytest.approx((single.low, single.high), abs=0.05)


@pytest.mark.parametrize("share", [0.5, 0.72, 0.9])
@pytest.mark.parametrize("whole_days", [False, True])
def test_the_interval_covers_what_it_says(share: float, whole_days: bool) -> None:
    dice = np.random.default_rng([round(share * 100), whole_days])
    drawn: Counter[tuple[int, ...]] = Counter()
    for _ in range(300):
        good = dice.random(10) < share
        # In which order the days came is nothing to it: those that are alike are reckoned once.
        drawn[tuple(sorted(good * 4 if whole_days else dice.binomial(4, share, 10)))] += 1
    covered = sum(
        n for d, n in drawn.items() if share in clustered_share([(int(k), 4) for k in d]).interval()
    )
    # 300 draws of 95 %: 91.5 to 98.5 at three standard errors; discrete counts make it wider
    assert covered / 300 >= 0.915


def test_the_order_of_days_changes_nothing() -> None:
    days = [(1, 4), (4, 4), (0, 4), (3, 4), (3, 4), (2, 4)]
    assert clustered_share(days).interval() == clustered_share(sorted(days)).interval()


def test_nothing_tried_is_nothing_known() -> None:
    found = clustered_share([]).interval()
    assert (found.low, found.high) == pytest.approx((0.025, 0.975), abs=0.003)
