"""Quantiles against numpy, and the rules for lost packets of RFC 2681 section 4."""

import itertools
import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from whichhop.stats.quantile import Definition, median, quantiles

NUMPY_NAMES = {
    Definition.INVERSE_EDF: "inverted_cdf",
    Definition.AVERAGED_EDF: "averaged_inverted_cdf",
    Definition.WEIBULL: "weibull",
    Definition.LINEAR: "linear",
    Definition.MEDIAN_UNBIASED: "median_unbiased",
}
FINITE = st.lists(st.integers(-1000, 1000).map(float), min_size=1, max_size=40)
SHARES = st.integers(0, 1000).map(lambda n: n / 1000)


@given(FINITE, SHARES, st.sampled_from(Definition))
def test_finite_samples_give_what_numpy_gives(values: list[float], share: float, kind: Definition) -> None:
    n = len(values)
    # numpy takes 0.29 x 100 = 28.999999999999996 at its word; we take it for 29
    if kind <= 2 and abs(share * n - round(share * n)) < 1e-9 and share * n != round(share * n):
        return
    expected = np.quantile(values, share, method=NUMPY_NAMES[kind])
    assert quantiles(values, [share], kind).values[0] == pytest.approx(expected, abs=1e-9)


def test_a_share_met_exactly_is_not_missed_through_rounding() -> None:
    # 0.29 of 100 packets is the 29th, though 0.29 * 100 is 28.999999999999996 in binary
    assert quantiles(range(1, 101), [0.29, 0.57, 0.58]).values == (29, 57, 58)


@given(FINITE, st.integers(0, 40), SHARES, st.sampled_from(Definition))
def test_a_lost_packet_counts_as_the_longest_delay(
    values: list[float], lost: int, share: float, kind: Definition
) -> None:
    # An infinite delay must act like any very long one, and never come out as nan.
    huge = 1e15
    found = quantiles(values + [math.inf] * lost, [share], kind)
    stand_in = quantiles(values + [huge] * lost, [share], kind).values[0]
    assert found.undefined == lost
    assert math.isinf(found.values[0]) == (stand_in > huge / 1e6)
    if not math.isinf(found.values[0]):
        assert found.values[0] == pytest.approx(stand_in, abs=1e-6)


@given(FINITE, st.sampled_from(Definition))
def test_quantiles_rise_with_the_share(values: list[float], kind: Definition) -> None:
    found = quantiles(values, [n / 20 for n in range(21)], kind).values
    assert all(a <= b + 1e-9 for a, b in itertools.pairwise(found))


@pytest.mark.parametrize("kind", Definition)
def test_nothing_measured_has_no_quantile(kind: Definition) -> None:
    found = quantiles([], [0.5, 0.95], kind)
    assert found.count == 0
    assert all(math.isnan(v) for v in found.values)
    assert math.isnan(median([]))


@pytest.mark.parametrize("kind", Definition)
def test_all_lost_is_infinite_and_one_sample_is_itself(kind: Definition) -> None:
    assert quantiles([math.inf] * 3, [0.0, 0.5, 1.0], kind).values == (math.inf,) * 3
    assert quantiles([7.0], [0.0, 0.5, 1.0], kind).values == (7.0,) * 3
    assert median([math.inf] * 2) == math.inf


def test_what_is_neither_delay_nor_loss_is_refused() -> None:
    with pytest.raises(ValueError, match="nan"):
        quantiles([1.0, math.nan], [0.5])
    with pytest.raises(ValueError, match="between 0 and 1"):
        quantiles([1.0], [95])
    with pytest.raises(ValueError, match="dimensions"):
        quantiles([[1.0]], [0.5])
