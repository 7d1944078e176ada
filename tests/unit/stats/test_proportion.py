"""Wilson's interval against statsmodels."""

import pytest
from hypothesis import given
from hypothesis import strategies as st
from statsmodels.stats.proportion import proportion_confint

from whichhop.stats.proportion import wilson

COUNTS = st.integers(1, 5000).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n)))


@given(COUNTS, st.floats(0.5, 0.999))
def test_wilson_agrees_with_statsmodels(counts: tuple[int, int], confidence: float) -> None:
    hits, total = counts
    low, high = proportion_confint(hits, total, alpha=1 - confidence, method="wilson")
    found = wilson(hits, total, confidence)
    assert found.low == pytest.approx(low, abs=1e-9)
    assert found.high == pytest.approx(high, abs=1e-9)


@given(COUNTS, st.floats(0.01, 0.999))
def test_wilson_holds_the_share_itself(counts: tuple[int, int], confidence: float) -> None:
    hits, total = counts
    assert hits / total in wilson(hits, total, confidence)


@given(COUNTS)
def test_wilson_mirrors_when_losses_and_answers_trade_places(counts: tuple[int, int]) -> None:
    hits, total = counts
    one, other = wilson(hits, total), wilson(total - hits, total)
    assert one.low == pytest.approx(1 - other.high, abs=1e-12)
    assert one.high == pytest.approx(1 - other.low, abs=1e-12)


@given(st.integers(1, 100), st.integers(2, 50))
def test_more_packets_at_the_same_ratio_make_it_narrower(hits: int, times: int) -> None:
    few, many = wilson(hits, 2 * hits), wilson(hits * times, 2 * hits * times)
    assert many.high - many.low < few.high - few.low


def test_nothing_tried_all_lost_and_one_packet() -> None:
    nothing = wilson(0, 0)
    assert (nothing.low, nothing.high) == (0, 1)
    assert wilson(50, 50).high == 1
    assert wilson(50, 50).low > 0.9
    assert wilson(0, 1).high == pytest.approx(0.793, abs=5e-4)
    assert wilson(1, 1).low == pytest.approx(0.207, abs=5e-4)


def test_impossible_counts_are_refused() -> None:
    for hits, total in ((-1, 5), (6, 5)):
        with pytest.raises(ValueError, match="no proportion"):
            wilson(hits, total)
    with pytest.raises(ValueError, match="confidence 95"):
        wilson(1, 5, 95)
