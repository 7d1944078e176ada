import numpy as np
import pytest
from scipy import stats

from whichhop.compare.inference.baseline import baseline_of, overdispersion, robust, sorted_quantile


def test_sorted_quantiles_are_numpys():
    rng = np.random.default_rng(2)
    values = rng.normal(size=(37, 3)).astype(np.float32)
    ordered = np.sort(values, axis=0)
    count = np.array([37, 37, 37])
    for share in (0.1, 0.5, 0.9):
        np.testing.assert_allclose(
            sorted_quantile(ordered, count, share), np.quantile(values, share, axis=0), rtol=1e-5
        )


def test_the_scale_of_a_normal_sample_is_its_sigma():
    # scipy's MAD with the normal scale estimates the same sigma.
    rng = np.random.default_rng(3)
    values = (0.050 + 0.004 * rng.normal(size=(20000, 1))).astype(np.float32)
    middle, scale, count = robust(values, 0.015)
    assert middle[0] == pytest.approx(0.050, abs=1e-4)
    assert scale[0] == pytest.approx(stats.median_abs_deviation(values[:, 0], scale="normal"), rel=0.05)
    assert count[0] == 20000


def test_a_few_per_cent_of_contamination_does_no_harm():
    rng = np.random.default_rng(4)
    values = (0.020 + 0.002 * rng.normal(size=(5000, 1))).astype(np.float32)
    clean = robust(values, 0.015)
    values[:200] += 0.300
    dirty = robust(values, 0.015)
    assert dirty[0][0] == pytest.approx(clean[0][0], abs=3e-4)
    assert dirty[1][0] == pytest.approx(clean[1][0], rel=0.25)


def test_the_scale_has_a_floor():
    # 0.25 ms + 1.5 % of 20 ms = 0.55 ms, by hand.
    _, scale, _ = robust(np.full((50, 1), 0.020, dtype=np.float32), 0.015)
    assert scale[0] == pytest.approx(0.00055, rel=1e-4)


def test_overdispersion_recovers_that_of_scipys_beta_binomial():
    # Intra-class correlation of a beta-binomial is 1 / (alpha + beta + 1).
    drawn = stats.betabinom.rvs(10, 0.8, 7.2, size=(40000, 1), random_state=6)
    rho = overdispersion(np.full((40000, 1), 10.0), drawn.astype(float))
    assert rho[0] == pytest.approx(1 / 9.0, rel=0.1)


def test_a_session_with_too_short_a_past_does_not_speak():
    q = np.full((2, 1), 0.02, dtype=np.float32)
    counts = np.full((2, 1), 10, dtype=np.uint16)
    base = baseline_of(
        q, q, counts, counts * 0, counts * 0, prior_scale=np.array([0.002], dtype=np.float32), least_ticks=3
    )
    assert np.isnan(base.loc50[0])


def test_loss_is_shrunk_as_the_method_says():
    # (lost + 0.5) / (sent + 500), by hand: (6 + 0.5) / (60 + 500).
    q = np.full((6, 1), 0.02, dtype=np.float32)
    sent = np.full((6, 1), 10, dtype=np.uint16)
    lost = np.ones((6, 1), dtype=np.uint16)
    base = baseline_of(
        q, q, sent, lost, lost * 0, prior_scale=np.array([0.002], dtype=np.float32), least_ticks=3
    )
    assert base.loss[0] == pytest.approx(6.5 / 560)
