"""Published probabilities keep the filter's order, and are what a beta-binomial model says of the counts."""

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from whichhop.compare.verdict.calibration import (
    SURE,
    SURE_RIGHT,
    UNSURE_RIGHT,
    WEIGHT,
    published,
)
from whichhop.model import Cause

CAUSES = st.sampled_from(list(Cause))


@given(st.floats(0, 1), st.floats(0, 1), CAUSES)
def test_the_map_keeps_order_and_stays_a_probability(one, two, cause):
    low, high = sorted((one, two))
    assert 0 <= published(low, cause) <= published(high, cause) < 1


@pytest.mark.parametrize("cause", list(SURE_RIGHT))
def test_a_sure_verdicts_probability_is_the_mean_of_the_beta_distribution_after_the_counts(cause):
    verdicts, right = SURE_RIGHT[cause]
    overall = sum(r for _, r in SURE_RIGHT.values()) / sum(n for n, _ in SURE_RIGHT.values())
    mean = stats.beta(right + WEIGHT * overall, verdicts - right + WEIGHT * (1 - overall)).mean()
    assert published(1.0, cause) == pytest.approx(mean)


def test_a_cause_never_met_gets_the_share_over_all():
    overall = sum(r for _, r in SURE_RIGHT.values()) / sum(n for n, _ in SURE_RIGHT.values())
    assert published(SURE, Cause.HEALTHY) == pytest.approx(overall)


def test_the_counts_are_counts():
    assert all(0 <= right <= verdicts for verdicts, right in (*SURE_RIGHT.values(), UNSURE_RIGHT))


def test_who_was_sure_and_more_often_wrong_is_published_lower():
    assert published(1.0, Cause.HOME_NODE) < published(1.0, Cause.OWN_TRAFFIC)
