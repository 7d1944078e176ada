import numpy as np
import pytest
from scipy import stats

from whichhop.compare.inference import likelihood
from whichhop.compare.inference.baseline import Baseline
from whichhop.compare.inference.likelihood import (
    DELAYS_S,
    LOSSES,
    delay_evidence,
    leaky,
    log_beta_binomial,
    loss_evidence,
    tail,
)
from whichhop.compare.inference.settings import Settings


def base(loc=0.020, scale=0.001, loss=0.001, rho=0.1):
    one = lambda v: np.array([v], dtype=np.float32)  # noqa: E731
    return Baseline(
        loc50=one(loc),
        scale50=one(scale),
        loc80=one(loc + 0.002),
        scale80=one(2 * scale),
        loss=np.array([loss]),
        rho=np.array([rho]),
        slow=np.array([loss]),
        slow_rho=np.array([rho]),
        answered=np.array([100]),
    )


def test_the_tail_to_its_power_is_scipys_student_t_but_for_a_constant():
    z = np.linspace(-30, 30, 61)
    gap = stats.t.logpdf(z, df=4) + 2.5 * np.log(tail(z))
    assert np.ptp(gap) == pytest.approx(0.0, abs=1e-9)


def test_the_beta_binomial_ratio_is_scipys():
    # alpha + beta = (1 - rho) / rho; the binomial coefficient cancels in a ratio.
    n, k, rho = 10.0, np.arange(11.0), 0.2
    for mean in (0.01, 0.3, 0.8):
        ours = log_beta_binomial(k, np.array(n), np.array(mean), np.array(rho)) - log_beta_binomial(
            k, np.array(n), np.array(0.05), np.array(rho)
        )
        theirs = stats.betabinom.logpmf(k, n, mean * 4, (1 - mean) * 4) - stats.betabinom.logpmf(
            k, n, 0.05 * 4, 0.95 * 4
        )
        np.testing.assert_allclose(ours, theirs, atol=1e-9)


@pytest.mark.parametrize("excess", [0.016, 0.05, 0.3])
def test_an_excess_is_explained_best_by_its_own_grid_value(excess):
    q = np.array([[0.020 + excess]], dtype=np.float32)
    table = delay_evidence(q, q + 0.002, np.array([[10]], dtype=np.uint16), base(), Settings())
    assert DELAYS_S[table[:, 0, 0].argmax()] == pytest.approx(excess)
    assert table.max() > 3


def test_a_quiet_tick_speaks_against_every_excess():
    q = np.array([[0.020]], dtype=np.float32)
    table = delay_evidence(q, q + 0.002, np.array([[10]], dtype=np.uint16), base(), Settings())
    assert (table < 0).all()


def test_what_is_unknown_says_nothing():
    q = np.array([[np.nan]], dtype=np.float32)
    assert not delay_evidence(q, q, np.array([[0]], dtype=np.uint16), base(), Settings()).any()
    nothing = np.zeros((1, 1), dtype=np.uint16)
    assert not loss_evidence(nothing, nothing, base(), Settings()).any()


def test_a_whole_loss_is_explained_best_by_whole_loss():
    ten = np.array([[10]], dtype=np.uint16)
    table = loss_evidence(ten, ten, base(), Settings())
    assert LOSSES[table[:, 0, 0].argmax()] == 1.0


def test_the_leak_bounds_what_one_session_can_prove():
    # Hand bound: with 9 grid values one of which fits, at most log(9 / leak) = 9.1.
    ratio = np.full((9, 1, 1), 1e-20, dtype=np.float32)
    ratio[4] = 1e30
    bounded = leaky(ratio, 0.001)
    assert bounded.max() <= np.log(9 / 0.001) + 1e-3
    assert bounded.max() > 8


def test_how_many_values_are_worked_out_at_once_changes_no_figure(monkeypatch: pytest.MonkeyPatch) -> None:
    """All at once for a home's short stretch, one by one for a month: the same octets either way."""
    dice = np.random.default_rng(3)
    shape = (40, 7)
    usual = dice.uniform(0.002, 0.05, shape[1]).astype(np.float32)
    past = Baseline(
        loc50=usual,
        scale50=usual * np.float32(0.1),
        loc80=usual * np.float32(1.2),
        scale80=usual * np.float32(0.2),
        loss=np.full(shape[1], 0.001),
        rho=np.full(shape[1], 0.25),
        slow=np.full(shape[1], 0.006),
        slow_rho=np.full(shape[1], 0.05),
        answered=np.full(shape[1], 360),
    )
    q50 = (usual * dice.uniform(0.5, 9.0, shape)).astype(np.float32)
    q50[dice.random(shape) < 0.1] = np.nan
    answered = dice.integers(0, 11, shape).astype(np.uint16)
    whole = delay_evidence(q50, q50 * np.float32(1.3), answered, past, Settings())
    monkeypatch.setattr(likelihood, "AT_ONCE", 1)
    assert np.array_equal(whole, delay_evidence(q50, q50 * np.float32(1.3), answered, past, Settings()))
