"""The centre of values that follow each other in time."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from whichhop.stats.dependent import block_length, dependent_centre, moving_block_error, walsh_median
from whichhop.stats.interval import centre

# Hollander and Wolfe 1973, depression scale of nine patients before and after (in R's ?wilcox.test too).
FIRST = [1.83, 0.50, 1.62, 2.48, 1.68, 1.88, 1.55, 3.06, 1.30]
SECOND = [0.878, 0.647, 0.598, 2.05, 1.06, 1.29, 1.06, 3.14, 1.29]


def test_the_textbooks_patients_improve_by_0_46() -> None:
    change = np.subtract(SECOND, FIRST)
    assert walsh_median(change) == pytest.approx(-0.46, abs=0.005)  # their estimate, from memory
    assert stats.wilcoxon(change).pvalue == pytest.approx(0.03906, abs=1e-5)  # as R prints it
    # The test is significant at 5 %, so the interval that inverts it leaves 0 out.
    assert centre(change).interval.high < 0


@given(st.lists(st.floats(-1e6, 1e6), min_size=1, max_size=40), st.floats(-1e3, 1e3))
def test_the_centre_moves_along_with_the_values(values: list[float], by: float) -> None:
    moved = walsh_median(np.array(values) + by)
    assert moved == pytest.approx(walsh_median(np.array(values)) + by, rel=1e-9, abs=1e-6)


@given(st.lists(st.floats(-100, 100), min_size=1, max_size=40), st.floats(0.5, 0.999))
def test_the_interval_is_never_narrower_than_the_signed_rank_one(
    values: list[float], confidence: float
) -> None:
    plain = centre(values, confidence).interval
    found = dependent_centre(values, np.random.default_rng(1), confidence)
    assert found.interval.low <= plain.low
    assert found.interval.high >= plain.high
    assert found.estimate in found.interval


def test_the_block_error_of_independent_values_is_that_of_the_centre() -> None:
    # Hodges and Lehmann 1956: variance of the centre on normal values is pi / 3 / n
    rng = np.random.default_rng(2)
    errors = [moving_block_error(rng.normal(0, 2, 60), rng) for _ in range(30)]
    assert np.median(errors) == pytest.approx(2 * math.sqrt(math.pi / 3 / 60), rel=0.2)


def test_the_same_dice_give_the_same_interval() -> None:
    values = np.random.default_rng(3).normal(0, 1, 24)
    one, two = (dependent_centre(values, np.random.default_rng(7)).interval for _ in range(2))
    assert one == two


@pytest.mark.slow
def test_alike_neighbours_are_not_taken_for_a_shift() -> None:
    # An autoregressive series with 0.4 and no shift: the plain interval misses about four times too often.
    rng = np.random.default_rng(4)
    plain = allowed = 0
    tries = 150
    for _ in range(tries):
        values, last = [], 0.0
        for step in rng.normal(0, 1, 44):
            last = 0.4 * last + step
            values.append(last)
        tail = values[20:]
        plain += 0.0 not in centre(tail).interval
        allowed += 0.0 not in dependent_centre(tail, rng).interval
    assert plain / tries > 0.12
    # 5 % wanted; two standard errors of 150 tries above it
    assert allowed / tries <= 0.09


def test_blocks_grow_with_the_cube_root() -> None:
    assert [block_length(n) for n in (1, 8, 27, 64)] == [2, 3, 5, 6]
