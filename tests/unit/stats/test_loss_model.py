"""The two-state chain: fitted to streams of known making, and against long simulations."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from support.published import TwoState, fit, standard_error
from whichhop.stats.loss_pattern import burst_ratio, transitions

CHANCE = st.floats(0.001, 1)


def simulate(chain: TwoState, packets: int, rng: np.random.Generator) -> list[bool]:
    """The chain run by dice, written here apart from the code under test."""
    lost, bad = [], bool(rng.random() < chain.loss)
    for dice in rng.random(packets):
        lost.append(bad)
        bad = dice >= chain.r if bad else dice < chain.p
    return lost


# p, r from the check values chain-3 to chain-5; bounds are four standard errors of the chain
@pytest.mark.parametrize(("p", "r"), [(0.02, 0.25), (0.01, 0.5), (0.005, 0.2)])
def test_a_simulated_stream_is_fitted_within_its_standard_errors(p: float, r: float) -> None:
    chain, packets = TwoState(p=p, r=r), 40_000
    lost = simulate(chain, packets, np.random.default_rng(20260301))
    fitted = fit(transitions(lost))
    good, bad = packets * (1 - chain.loss), packets * chain.loss
    assert fitted.p == pytest.approx(p, abs=4 * math.sqrt(p * (1 - p) / good))
    assert fitted.r == pytest.approx(r, abs=4 * math.sqrt(r * (1 - r) / bad))
    assert sum(lost) / packets == pytest.approx(chain.loss, abs=4 * standard_error(chain, packets))
    ratio = burst_ratio(lost)
    assert ratio is not None
    bursts = packets * chain.loss * r  # run lengths are geometric: relative spread sqrt(1 - r)
    assert ratio == pytest.approx(chain.burst_ratio, rel=4 * math.sqrt((1 - r) / bursts))


def test_the_standard_error_is_that_of_many_simulated_streams() -> None:
    chain, rng = TwoState(p=0.05, r=0.3), np.random.default_rng(7)
    ratios = [np.mean(simulate(chain, 1000, rng)) for _ in range(200)]
    # the spread of 200 streams is itself known to 1/sqrt(400) = 5 %; three of those allowed
    assert np.std(ratios) == pytest.approx(standard_error(chain, 1000), rel=0.15)


@given(CHANCE, CHANCE)
def test_independent_losses_are_the_chain_without_memory(p: float, r: float) -> None:
    chain = TwoState(p=p, r=r)
    assert 0 <= chain.loss <= 1
    # long runs of both kinds (1/r and 1/p packets in the mean), weighted, give the loss ratio back
    assert 1 / r / (1 / r + 1 / p) == pytest.approx(chain.loss)
    even = TwoState(p=p / 2, r=1 - p / 2)
    assert even.correlation == pytest.approx(0)
    assert even.burst_ratio == pytest.approx(1)
    assert standard_error(even, 100) == pytest.approx(math.sqrt(even.loss * (1 - even.loss) / 100))


@given(st.lists(st.booleans(), max_size=80))
def test_each_step_is_counted_once(lost: list[bool]) -> None:
    found = transitions(lost)
    assert found.n00 + found.n01 + found.n10 + found.n11 == max(0, len(lost) - 1)
    assert abs(found.n01 - found.n10) <= 1


@pytest.mark.parametrize("lost", [[], [True], [False], [True] * 9, [False] * 9])
def test_a_stream_that_never_changes_state_has_no_chain(lost: list[bool]) -> None:
    steps = transitions(lost)
    assert steps.n01 == steps.n10 == 0
    assert burst_ratio(lost) is None
