"""What sessions should see, its slopes and its bends against finite differences."""

import numpy as np

from whichhop.compare.standing.design import Design

FAULTS: list[tuple[int, ...]] = [(), (2,), (0, 3)]


def drawn() -> tuple[np.ndarray, Design, np.ndarray]:
    rng = np.random.default_rng(5)
    matrix = rng.integers(0, 3, (7, 4)).astype(float)
    return matrix, Design.of_faults(matrix, FAULTS), rng.normal(-4.0, 0.7, (len(FAULTS), 6))


def test_sessions_see_the_levels_of_what_they_cross_and_its_fault_once_more() -> None:
    matrix, design, x = drawn()
    seen = design.seen(np.exp(x))
    for row, groups, own in zip(seen, FAULTS, np.exp(x), strict=True):
        levels = own[:4].copy()
        for place, group in enumerate(groups):
            levels[group] += own[4 + place]
        np.testing.assert_allclose(row, matrix @ levels)


def test_slopes_and_bends_are_those_of_finite_differences() -> None:
    _, design, x = drawn()
    rng = np.random.default_rng(6)
    slope, bend = rng.normal(size=(3, 7)), rng.uniform(0.5, 2.0, (3, 7))
    step = 1e-6
    jacobian = np.empty((3, 7, 6))
    for j in range(6):
        up, down = x.copy(), x.copy()
        up[:, j] += step
        down[:, j] -= step
        jacobian[:, :, j] = (design.seen(np.exp(up)) - design.seen(np.exp(down))) / (2 * step)
    pull = np.einsum("hs,hsj->hj", slope, jacobian)
    np.testing.assert_allclose(design.pull(slope, np.exp(x)), pull, rtol=1e-6, atol=1e-9)
    by_newton_and_gauss = np.einsum("hs,hsj,hsk->hjk", bend, jacobian, jacobian)
    np.testing.assert_allclose(design.bend(bend, np.exp(x)), by_newton_and_gauss, rtol=1e-6, atol=1e-9)


def test_some_of_the_hypotheses_are_as_they_were_among_all() -> None:
    _, design, x = drawn()
    some = np.array([2, 0])
    np.testing.assert_array_equal(design.of(some).seen(np.exp(x[some])), design.seen(np.exp(x))[some])
