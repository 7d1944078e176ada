"""Round trips per minute: trimming, and what is missing is missing."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from whichhop.stats.responsiveness import is_stable, responsiveness, trimmed_mean

TRIPS = st.lists(st.floats(0.1, 10_000), min_size=1, max_size=60)


@given(TRIPS)
def test_trimming_never_raises_the_mean_and_stays_in_range(values: list[float]) -> None:
    found = trimmed_mean(values)
    assert found is not None
    assert min(values) * (1 - 1e-9) <= found <= sum(values) / len(values) * (1 + 1e-9)


def test_no_sample_no_mean_one_sample_itself() -> None:
    assert trimmed_mean([]) is None
    assert trimmed_mean([7.0]) == 7
    assert trimmed_mean([math.inf]) == math.inf


def test_a_kind_without_samples_gives_no_figure() -> None:
    whole = {"tcp_ms": [20.0], "http_ms": [30.0], "loaded_http_ms": [100.0]}
    assert responsiveness(**whole) is not None
    for kind in whole:
        assert responsiveness(**(whole | {kind: []})) is None


@given(TRIPS, TRIPS, TRIPS)
def test_the_result_lies_between_its_halves(tcp: list[float], http: list[float], loaded: list[float]) -> None:
    found = responsiveness(tcp_ms=tcp, http_ms=http, loaded_http_ms=loaded)
    assert found is not None
    assert min(found.foreign, found.loaded) <= found.overall <= max(found.foreign, found.loaded)
    assert found.loaded == pytest.approx(60_000 / (trimmed_mean(loaded) or 0))


def test_the_drafts_criterion_by_hand() -> None:
    # Moving averages of 4: 100, 101, 102, 103; their mean 101.5, deviation sqrt(1.25) = 1.118, which is
    # 1.09 % of the newest, 103. One value earlier there are only three averages.
    values = [100.0, 100.0, 100.0, 100.0, 104.0, 104.0, 104.0]
    assert is_stable(values)
    assert is_stable(values, tolerance=0.0109)
    assert not is_stable(values, tolerance=0.0108)
    assert not is_stable(values[1:])


def test_nothing_moving_is_not_stable() -> None:
    assert not is_stable([0.0] * 10)
