"""The fit against scipy's general minimiser and against integrals done by brute force."""

from collections.abc import Sequence

import numpy as np
import pytest
from msgspec.structs import replace
from scipy import optimize, stats

from whichhop.compare.standing import fit as measures_fit
from whichhop.compare.standing.columns import Budget
from whichhop.compare.standing.fit import HOPELESS, Fit
from whichhop.compare.standing.hills import CUT_SD, Measure, Slab
from whichhop.compare.standing.likelihoods import FREEDOM, Likelihood, of_counts, of_delays, widened

SLAB = Slab(median=0.04, log_sd=0.8)


def fit(
    matrix: np.ndarray,
    usual: Budget,
    likelihood: Likelihood,
    slab: Slab,
    faults: Sequence[tuple[int, ...]],
    *,
    rough: tuple[Likelihood, ...] = (),
    alone: Fit | None = None,
) -> Fit:
    """By one measure."""
    measure = Measure(budget=usual, likelihood=likelihood, slab=slab, rough=rough)
    (found,) = measures_fit.fit(matrix, [measure], faults, alone=[alone] if alone else [])
    return found


def budget(groups: int) -> Budget:
    rng = np.random.default_rng(groups)
    sd = rng.uniform(0.4, 0.8, groups)
    return Budget(
        mean=np.log(rng.uniform(0.001, 0.01, groups)),
        sd_above=sd,
        sd_below=sd,
        harm=np.full(groups, np.inf),
        least=np.full(groups, 1e-6),
    )


def test_the_likeliest_levels_are_those_of_a_general_minimiser() -> None:
    rng = np.random.default_rng(2)
    matrix = (rng.random((9, 4)) < 0.5).astype(float)
    b = budget(4)
    seen = matrix @ np.exp(b.mean + 0.3) + 0.001
    error = np.full(9, 0.0004)

    def cost(x: np.ndarray) -> float:
        t = stats.t(df=FREEDOM, loc=matrix @ np.exp(x), scale=error).logpdf(seen).sum()
        return -float(t + stats.norm(b.mean, b.sd_above).logpdf(x).sum())

    best = optimize.minimize(cost, b.mean, method="BFGS").x
    found = fit(matrix, b, of_delays(seen, error), SLAB, [()])
    np.testing.assert_allclose(found.log_value[0, :4], best, atol=0.02)


@pytest.mark.parametrize("seen_s", [0.006, 0.030, 0.080])
def test_the_evidence_for_a_fault_is_near_the_integral(seen_s: float) -> None:
    # One session over one group: the evidence is an integral of one and of two dimensions.
    b = budget(1)
    likelihood = of_delays(np.array([seen_s]), np.array([0.001]))
    wide = widened(np.array([seen_s]), np.array([0.001]))
    found = fit(np.ones((1, 1)), b, likelihood, SLAB, [(), (0,)], rough=wide)

    x = np.linspace(b.mean[0] - 6, b.mean[0] + 6, 3001)
    y = np.linspace(np.log(SLAB.median) - 5, np.log(SLAB.median) + 4, 3001)
    healthy = stats.norm(b.mean[0], b.sd_above[0]).pdf(x)
    ill = stats.norm(np.log(SLAB.median), SLAB.log_sd).pdf(y)
    none = np.trapezoid(healthy * np.exp(likelihood.value(np.exp(x)[:, None])[:, 0]), x)
    level = likelihood.value((np.exp(x)[:, None] + np.exp(y)[None, :])[:, :, None])[:, :, 0]
    one = np.trapezoid(np.trapezoid(np.exp(level) * ill[None, :], y, axis=1) * healthy, x)
    assert found.evidence[1] - found.evidence[0] == pytest.approx(np.log(one / none), abs=0.7)


def test_counts_are_likeliest_where_they_were_seen_and_a_leak_bounds_them() -> None:
    grid = np.linspace(0.001, 0.5, 500)
    plain = of_counts(np.array([600.0]), np.array([60.0]))
    values = np.array([plain.value(np.array([u]))[0] for u in grid])
    assert 1 - np.exp(-grid[values.argmax()]) == pytest.approx(0.1, abs=0.01)
    leaky = of_counts(np.array([600.0]), np.array([300.0]), leak=0.01)
    worst = float(leaky.value(np.array([1e-6]))[0])
    assert worst == pytest.approx(np.log(0.01), abs=0.1)


def test_slopes_are_the_derivatives_of_the_values() -> None:
    for likelihood in (
        of_delays(np.array([0.02]), np.array([0.001])),
        of_counts(np.array([180.0]), np.array([9.0])),
        of_counts(np.array([180.0]), np.array([9.0]), leak=0.01),
    ):
        for at in (0.004, 0.02, 0.07):
            step = at * 1e-5
            up, down = (likelihood.value(np.array([at + d]))[0] for d in (step, -step))
            assert likelihood.around(np.array([at]))[1][0] == pytest.approx(
                (up - down) / (2 * step), rel=1e-3, abs=1e-6
            )


def test_quicker_than_possible_is_nearly_impossible_and_slower_only_odd() -> None:
    quick, slow = (
        float(of_delays(np.array([0.02]), np.array([0.001])).value(np.array([at]))[0]) for at in (0.05, 0.005)
    )
    assert quick < -300
    assert slow > -25


def five_groups(seed: int, slow: Sequence[int]) -> tuple[np.ndarray, Budget, Likelihood]:
    """Twelve sessions over five groups of a millisecond or less, some of them 30 ms slower."""
    rng = np.random.default_rng(seed)
    matrix = (rng.random((12, 5)) < 0.4).astype(float)
    matrix[:, 0] = 1.0
    b = budget(5)
    b = replace(b, mean=b.mean - np.log(10.0), least=np.full(5, 0.008))
    seen = matrix @ np.exp(b.mean + rng.normal(0, 0.2, 5)) + 0.03 * matrix[:, list(slow)].sum(axis=1)
    return matrix, b, of_delays(seen, np.full(12, 0.0008))


SINGLES: list[tuple[int, ...]] = [(), *((g,) for g in range(5))]


@pytest.mark.parametrize("seed", range(4))
def test_what_is_not_fitted_no_levels_could_have_made_likely(seed: int) -> None:
    matrix, b, likelihood = five_groups(seed, [])
    found = fit(matrix, b, likelihood, SLAB, SINGLES)
    left_out = [g for g in range(5) if found.log_error[1 + g, 5] == 0.0]
    assert left_out
    for g in left_out:

        def cost(x: np.ndarray, g: int = g) -> float:
            fault = np.log(0.008) + np.abs(x[5])
            expected = matrix @ np.exp(x[:5]) + matrix[:, g] * np.exp(fault)
            return -float(likelihood.value(expected).sum())

        best = -optimize.minimize(cost, np.append(b.mean, 0.1), method="Nelder-Mead").fun
        assert best <= found.evidence[1 + g] < found.evidence[0] - HOPELESS
        np.testing.assert_array_equal(found.log_value[1 + g, :5], found.log_value[0, :5])


@pytest.mark.parametrize("seed", range(4))
def test_two_faults_are_as_likely_from_one_of_them_as_from_what_is_usual(seed: int) -> None:
    matrix, b, likelihood = five_groups(seed, [1, 3])
    pairs = [(0, 1), (1, 2), (1, 3), (1, 4)]
    alone = fit(matrix, b, likelihood, SLAB, SINGLES)
    near = fit(matrix, b, likelihood, SLAB, pairs, alone=alone).evidence
    usual = fit(matrix, b, likelihood, SLAB, [(), *pairs]).evidence[1:]
    bar = alone.evidence.max() - HOPELESS
    assert near[2] > bar + HOPELESS
    assert ((near > usual - 0.1) | (np.maximum(near, usual) < bar)).all()


@pytest.mark.parametrize(("slow", "least"), [([], 1e-4), ([1], 0.008), ([2], 0.008)])
def test_the_way_up_ends_where_a_general_minimiser_finds_nothing_higher(
    slow: list[int], least: float
) -> None:
    # In health the way up begins beside the levels of no fault, else beside usual ones.
    matrix, b, likelihood = five_groups(7, slow)
    b = replace(b, least=np.full(5, least))
    wide = widened(likelihood.best, np.full(12, 0.0008))
    found = fit(matrix, b, likelihood, SLAB, SINGLES, rough=wide)
    fitted = [g for g in range(5) if found.log_error[1 + g, 5] > 0.0]
    assert set(slow) <= set(fitted)
    assert fitted
    for g in fitted:

        def cost(x: np.ndarray, g: int = g) -> float:
            expected = matrix @ np.exp(x[:5]) + matrix[:, g] * np.exp(x[5])
            prior = stats.norm(b.mean, b.sd_above).logpdf(x[:5]).sum()
            size = stats.norm(np.log(SLAB.median), SLAB.log_sd).logpdf(x[5])
            too_small = max(float(np.log(least)) - x[5], 0.0) / CUT_SD
            return -float(likelihood.value(expected).sum() + prior + size - 0.5 * too_small**2)

        here = found.log_value[1 + g, :6]
        starts = [here, np.append(b.mean, np.log(0.03))] if g in slow else [here]
        best = min(optimize.minimize(cost, start, method="BFGS").fun for start in starts)
        assert cost(here) < best + 0.02


def test_a_box_that_answers_few_hides_no_fault_of_the_line_before_it() -> None:
    """Nine tenths of a limited box's answers are missing and half of all that goes past it: the likeliest of
    a general minimiser's hills is that of a fault of half, beside a box that has its own loss."""
    crossed = np.array([[1, 0, 1]] * 3 + [[1, 1, 0]] * 6, dtype=float)  # line, beyond, the box's answers
    sd = np.array([1.3, 1.5, 2.0])
    mean = np.log([5e-4, 3e-4, 1e-3])
    b = Budget(mean=mean, sd_above=sd, sd_below=sd, harm=np.full(3, np.inf), least=np.full(3, 0.015))
    likelihood = of_counts(np.full(9, 94.0), np.array([83.0] * 3 + [44.0] * 6))
    slab = Slab(median=0.09, log_sd=0.8)
    found = fit(crossed, b, likelihood, slab, [(), (0,), (1,), (2,)])

    def cost(x: np.ndarray) -> float:
        levels = crossed @ np.exp(x[:3]) + crossed[:, 0] * np.exp(x[3])
        prior = stats.norm(mean, sd).logpdf(x[:3]).sum() + stats.norm(np.log(0.09), 0.8).logpdf(x[3])
        return -float(likelihood.value(levels).sum() + prior)

    starts = [[*mean[:2], reply, size] for reply in (mean[2], 0.5) for size in (-2.0, 0.0)]
    best = min((optimize.minimize(cost, s, method="Nelder-Mead") for s in starts), key=lambda r: r.fun)
    assert np.exp(found.log_value[1, 3]) == pytest.approx(np.exp(best.x[3]), rel=0.05)
    # Packets cannot tell it from what lies past the box, whose own loss takes up the rest.
    assert found.evidence[1] == pytest.approx(found.evidence[2], abs=1.5)


def test_several_measures_side_by_side_are_fitted_as_each_by_itself() -> None:
    # Numbers of hypotheses that lie beside each other round differently, and no more than that.
    matrix, b, late = five_groups(7, [2])
    _, _, well = five_groups(7, [])
    lost = of_counts(np.full(12, 200.0), np.array([30.0] * 4 + [0.0] * 8))
    pairs = [(0, 1), (1, 2), (2, 4)]
    measures = [
        Measure(budget=b, likelihood=late, slab=SLAB, rough=widened(late.best, np.full(12, 0.0008))),
        Measure(budget=b, likelihood=well, slab=SLAB),
        Measure(budget=b, likelihood=lost, slab=Slab(median=0.09, log_sd=0.8), rough=(lost,)),
    ]
    alone = measures_fit.fit(matrix, measures, SINGLES)
    both = measures_fit.fit(matrix, measures, pairs, alone=alone)
    for i, measure in enumerate(measures):
        (own,) = measures_fit.fit(matrix, [measure], SINGLES)
        (pair,) = measures_fit.fit(matrix, [measure], pairs, alone=[own])
        for found, expected in ((alone[i], own), (both[i], pair)):
            for part in ("evidence", "log_value", "log_error"):
                np.testing.assert_allclose(getattr(found, part), getattr(expected, part), rtol=1e-9)
