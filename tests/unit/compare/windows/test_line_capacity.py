import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from whichhop.compare.windows.own_traffic import BELIEF, SHARES, capacity_of, doubt_words

PLAN = 100_000_000


def use(*pieces):
    """(ticks, Mbit/s, whether packets were late) after one another: rates and late ticks."""
    rates = np.concatenate([np.full(n, mbps * 1e6) for n, mbps, _ in pieces])
    return rates, np.concatenate([np.full(n, late) for n, _, late in pieces])


def test_the_belief_is_a_distribution_that_holds_the_plan():
    assert BELIEF.sum() == pytest.approx(1.0)
    assert (np.diff(SHARES) > 0).all()
    assert SHARES[-1] > 1.0


def test_a_rate_met_again_and_again_while_packets_are_late_is_what_the_line_carries():
    rates, late = use((60, 1, False), (12, 40, True), (60, 1, False), (12, 40, True))
    found = capacity_of(rates, PLAN, late)
    assert found is not None
    assert found.ceiling_bps == pytest.approx(40e6)
    assert found.likely_bps == pytest.approx(40e6)
    assert "100 Mbit/s down, the line was filled again and again at 40 Mbit/s" in doubt_words(
        "down", found, PLAN
    )


def test_a_stream_at_one_rate_that_delays_nothing_is_no_ceiling():
    rates, late = use((60, 1, False), (60, 40, False), (60, 1, False))
    found = capacity_of(rates, PLAN, late)
    assert found is not None
    assert found.ceiling_bps is None
    assert found.likely_bps == PLAN
    assert doubt_words("down", found, PLAN) == ""


def test_a_line_that_is_late_at_any_rate_has_shown_no_ceiling():
    rates, late = use((60, 1, True), (12, 40, True), (60, 1, True))
    found = capacity_of(rates, PLAN, late)
    assert found is not None
    assert found.ceiling_bps is None


def test_a_line_carries_what_it_was_seen_to_carry_whatever_the_plan_says():
    rates, late = use((60, 1, False), (12, 140, True))
    found = capacity_of(rates, PLAN, late)
    assert found is not None
    assert found.low_bps == pytest.approx(140e6)


def test_without_a_plan_only_a_ceiling_tells():
    assert capacity_of(*use((60, 1, False), (4, 40, True))[:1], None) is None
    rates, late = use((60, 1, False), (12, 40, True))
    found = capacity_of(rates, None, late)
    assert found is not None
    assert found.likely_bps == pytest.approx(40e6)


def test_a_murmur_at_one_rate_is_no_ceiling_even_while_the_line_fails():
    rates, late = use((60, 0.05, False), (12, 0.05, True))
    assert capacity_of(rates, None, late) is None


@given(st.lists(st.floats(0, 2e8), min_size=2, max_size=50), st.booleans())
def test_the_weights_sum_to_one_and_nothing_is_below_what_was_seen(rates, late):
    values = np.array(rates)
    found = capacity_of(values, PLAN, np.full(len(rates), late))
    assert found is not None
    assert found.weights.sum() == pytest.approx(1.0)
    second = np.sort(values)[-2]
    assert found.low_bps >= min(second, SHARES[-1] * PLAN) * (1 - 1e-9)
