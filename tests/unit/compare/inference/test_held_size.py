"""An excess that stays what it was needs no new guess in each tick; one that does not gains nothing by it."""

import numpy as np
import pytest

from whichhop.compare.inference.held_size import HELD, MEMORY_TICKS, TEMPER, held

LOWEST = np.float32(-60.0)


def told(*sizes: int, of: int = 8, fits: float = 4.0) -> np.ndarray:
    """Log-ratios (of, ticks): in each tick one size fits and the others do not."""
    out = np.full((of, len(sizes)), -fits, dtype=np.float32)
    out[list(sizes), np.arange(len(sizes))] = fits
    return out


def nothing(values):
    return np.zeros(values.shape[1:], dtype=np.float32)


def by_definition(values, without, divisor):
    """The same written out: the mean over sizes, and over them weighed by what the ticks before needed."""
    out = []
    for t in range(values.shape[1]):
        past = [
            np.exp(TEMPER * sum(max(v[u] - without[u], 0.0) for u in range(max(0, t - MEMORY_TICKS), t)))
            for v in values.astype(float)
        ]
        total = sum(past) + divisor - len(values)
        each = np.exp(values[:, t].astype(float))
        flat, kept = each.sum() / divisor, sum(p * e for p, e in zip(past, each, strict=True)) / total
        out.append(np.log((1 - HELD) * flat + HELD * kept))
    return out


def test_it_is_what_its_definition_says():
    rng = np.random.default_rng(5)
    values = rng.normal(0, 3, (6, MEMORY_TICKS + 10)).astype(np.float32)
    without = rng.normal(0, 1, MEMORY_TICKS + 10).astype(np.float32)
    found = held(values, without, 10, LOWEST)
    np.testing.assert_allclose(found, by_definition(values, without, 10), atol=2e-3)


def test_the_first_tick_is_the_mean_over_all_sizes():
    values = told(3)
    assert held(values, nothing(values), 8, LOWEST)[0] == pytest.approx(np.log(np.exp(values).mean()))
    # What an element cannot have counts in the mean and explains nothing.
    few = held(values[2:], nothing(values), 8, LOWEST)[0]
    assert few == pytest.approx(np.log(np.exp(values[2:]).sum() / 8))
    assert held(values[:0], nothing(values), 8, LOWEST).tolist() == [-60.0]


def test_a_size_that_holds_soon_costs_one_in_two_and_one_that_jumps_costs_what_it_did():
    flat = np.log(np.exp(told(3)).mean())
    steady, jumps = told(3, 3, 3, 3, 3, 3), told(0, 1, 2, 3, 4, 5)
    assert held(steady, nothing(steady), 8, LOWEST)[-1] == pytest.approx(4.0 + np.log(HELD), abs=0.2)
    # Its healthy twin: never better than a guess in each tick, and worse by no more than one in two.
    each = held(jumps, nothing(jumps), 8, LOWEST)
    assert (each <= flat + 1e-3).all()
    assert (each >= flat + np.log(1.0 - HELD) - 1e-3).all()


def test_what_something_else_explains_tells_no_size():
    steady = told(3, 3, 3, 3)
    known = np.full(4, 4.0, dtype=np.float32)
    assert held(steady, known, 8, LOWEST)[-1] == pytest.approx(np.log(np.exp(told(3)).mean()))


def test_an_excess_of_long_ago_tells_no_size():
    quiet = np.full((8, MEMORY_TICKS + 1), -4.0, dtype=np.float32)
    values = np.concatenate([told(3), quiet, told(3)], axis=1)
    assert held(values, nothing(values), 8, LOWEST)[-1] == pytest.approx(
        np.log(np.exp(told(3)).mean()), abs=1e-3
    )
