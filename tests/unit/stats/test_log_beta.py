"""Against scipy's functions, and against values that are known exactly."""

import math

import numpy as np
import pytest
from scipy import special

from whichhop.stats.log_beta import log_beta, log_gamma, log_gamma_and_slope

GRID = np.concatenate([np.geomspace(1e-9, 1e9, 2000), np.arange(1.0, 40.0, 0.5)])


def test_log_gamma_is_scipys() -> None:
    np.testing.assert_allclose(log_gamma(GRID), special.gammaln(GRID), rtol=1e-13, atol=1e-12)


def test_log_gamma_is_that_of_factorials() -> None:
    for n in (1, 2, 5, 20, 170):
        expected = math.log(math.factorial(n - 1))
        assert log_gamma(np.array([float(n)]))[0] == pytest.approx(expected, rel=1e-13, abs=1e-12)


def test_log_gamma_with_its_slope_are_scipys() -> None:
    value, slope = log_gamma_and_slope(GRID)
    np.testing.assert_allclose(value, special.gammaln(GRID), rtol=1e-13, atol=1e-12)
    np.testing.assert_allclose(slope, special.digamma(GRID), rtol=1e-12, atol=1e-11)


def test_log_beta_is_scipys_where_shares_of_packets_lie() -> None:
    rng = np.random.default_rng(3)
    a, b = np.exp(rng.uniform(np.log(1e-7), np.log(1e6), (2, 5000)))
    np.testing.assert_allclose(log_beta(a, b), special.betaln(a, b), rtol=1e-12, atol=1e-8)
