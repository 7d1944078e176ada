"""Intervals and tests against scipy and statsmodels, and against the tests that they invert."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats
from statsmodels.stats.multitest import multipletests
from statsmodels.stats.proportion import proportion_confint

from whichhop.stats import interval
from whichhop.stats.proportion import wilson

COUNTS = st.integers(1, 3000).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n)))


@given(COUNTS, st.floats(0.5, 0.999))
def test_clopper_pearson_agrees_with_statsmodels(counts: tuple[int, int], confidence: float) -> None:
    hits, total = counts
    low, high = proportion_confint(hits, total, alpha=1 - confidence, method="beta")
    found = interval.clopper_pearson(hits, total, confidence)
    assert found.low == pytest.approx(low, abs=1e-9)
    assert found.high == pytest.approx(high, abs=1e-9)


@given(st.integers(1, 60), st.floats(0.01, 0.99))
def test_clopper_pearson_covers_at_least_as_often_as_it_says(total: int, truth: float) -> None:
    covered = sum(
        stats.binom.pmf(k, total, truth)
        for k in range(total + 1)
        if truth in interval.clopper_pearson(k, total)
    )
    assert covered >= 0.95 - 1e-9


def test_nothing_tried_and_all_lost() -> None:
    nothing = interval.clopper_pearson(0, 0)
    assert (nothing.low, nothing.high) == (0, 1)
    assert interval.clopper_pearson(9, 9).high == 1
    assert interval.clopper_pearson(9, 9).low < wilson(9, 9).low


# Untied samples of sizes from tiny to past the exact tables; the interval must invert scipy's own test.
@pytest.mark.parametrize(("m", "n"), [(4, 5), (10, 5), (12, 17), (50, 50), (60, 8)])
def test_the_shift_interval_is_where_scipys_rank_sum_test_does_not_reject(m: int, n: int) -> None:
    rng = np.random.default_rng(m * 100 + n)
    before, after = rng.normal(0, 1, m), rng.normal(0.8, 2, n)
    found = interval.shift_between(before, after)
    method = "exact" if max(m, n) <= 50 else "asymptotic"
    edge = 1e-9
    for shift, accepted in (
        (found.interval.low + edge, True),
        (found.interval.low - edge, False),
        (found.interval.high - edge, True),
        (found.interval.high + edge, False),
    ):
        p = stats.mannwhitneyu(after - shift, before, method=method, use_continuity=True).pvalue
        assert (p > 0.05) == accepted, (shift, p)
    assert found.estimate in found.interval
    assert found.count == m + n


@pytest.mark.parametrize("n", [6, 9, 25, 50])
def test_the_centres_interval_is_where_scipys_signed_rank_test_does_not_reject(n: int) -> None:
    values = np.random.default_rng(n).normal(0.3, 1, n)
    found = interval.centre(values)
    edge = 1e-9
    for middle, accepted in (
        (found.interval.low + edge, True),
        (found.interval.low - edge, False),
        (found.interval.high - edge, True),
        (found.interval.high + edge, False),
    ):
        p = stats.wilcoxon(values - middle, method="exact").pvalue
        assert (p > 0.05) == accepted, (middle, p)
    assert found.estimate in found.interval


def test_too_few_values_leave_the_interval_endless() -> None:
    assert interval.centre([1.0]).interval.high == math.inf
    assert interval.centre([1.0]).estimate == 1
    small = interval.shift_between([1.0], [2.0])
    assert (small.estimate, small.interval.low, small.interval.high) == (1, -math.inf, math.inf)


@given(
    st.lists(st.integers(-50, 50), min_size=1, max_size=12),
    st.lists(st.integers(-50, 50), min_size=1, max_size=12),
)
def test_shifting_one_sample_shifts_the_estimate_and_swapping_turns_its_sign(
    before: list[int], after: list[int]
) -> None:
    found = interval.shift_between(before, after).estimate
    assert interval.shift_between(before, [a + 7 for a in after]).estimate == pytest.approx(found + 7)
    assert interval.shift_between(after, before).estimate == pytest.approx(-found)


@given(
    st.lists(st.integers(-9, 9), min_size=1, max_size=15),
    st.lists(st.integers(-9, 9), min_size=1, max_size=15),
)
def test_the_chance_of_being_larger_is_scipys_u_over_all_pairs(before: list[int], after: list[int]) -> None:
    u = stats.mannwhitneyu(after, before, method="asymptotic").statistic
    assert interval.chance_larger(before, after) == pytest.approx(u / (len(before) * len(after)))


def test_a_lost_packet_is_larger_than_any_delay() -> None:
    assert interval.chance_larger([1.0, 2.0], [math.inf]) == 1


def test_samples_that_say_nothing_are_refused() -> None:
    for empty_or_infinite in ([], [math.inf], [math.nan]):
        with pytest.raises(ValueError, match="after"):
            interval.shift_between([1.0], empty_or_infinite)
        with pytest.raises(ValueError, match="values"):
            interval.centre(empty_or_infinite)
    with pytest.raises(ValueError, match="at least one"):
        interval.chance_larger([], [1.0])
    with pytest.raises(ValueError, match="block"):
        interval.bootstrap([], np.mean, np.random.default_rng(1))
    with pytest.raises(ValueError, match="block"):
        interval.bootstrap([1.0], np.mean, np.random.default_rng(1), block=2)


def mean(values: np.ndarray) -> float:
    return float(values.mean())


def test_the_bootstrap_agrees_with_scipys() -> None:
    values = np.random.default_rng(3).exponential(10, 200)
    ours = interval.bootstrap(values, mean, np.random.default_rng(4), resamples=4000)
    theirs = stats.bootstrap(
        (values,), np.mean, n_resamples=4000, method="percentile", rng=np.random.default_rng(5)
    ).confidence_interval
    # both are estimates: the ends of 4,000 resamples wander by some hundredths of the width
    width = theirs.high - theirs.low
    assert ours.low == pytest.approx(theirs.low, abs=0.1 * width)
    assert ours.high == pytest.approx(theirs.high, abs=0.1 * width)


def test_the_same_dice_give_the_same_interval() -> None:
    first, again = (interval.bootstrap(range(30), mean, np.random.default_rng(8)) for _ in range(2))
    assert first == again
    one = interval.bootstrap([5.0], mean, np.random.default_rng(1))
    assert (one.low, one.high) == (5, 5)


def test_drawing_in_blocks_is_wider_when_neighbours_depend_on_each_other() -> None:
    rng = np.random.default_rng(11)
    walk = [0.0]
    for step in rng.normal(size=999):
        walk.append(0.9 * walk[-1] + step)
    single = interval.bootstrap(walk, mean, np.random.default_rng(1), resamples=500)
    blocks = interval.bootstrap(walk, mean, np.random.default_rng(1), resamples=500, block=50)
    assert blocks.high - blocks.low > 2 * (single.high - single.low)


@given(st.lists(st.floats(0, 1), max_size=40))
def test_benjamini_hochberg_agrees_with_statsmodels(p: list[float]) -> None:
    found = interval.benjamini_hochberg(p)
    assert len(found) == len(p)
    if p:
        assert found == pytest.approx(multipletests(p, method="fdr_bh")[1], abs=1e-12)


def test_a_p_value_over_one_is_refused() -> None:
    with pytest.raises(ValueError, match="between 0 and 1"):
        interval.benjamini_hochberg([0.5, 1.5])


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
