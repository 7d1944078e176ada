import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from whichhop.compare.inference.filter import make_states, run
from whichhop.compare.inference.settings import Settings

ONSET = np.array([1e-3, 2e-4])


def states(own=None):
    return make_states(ONSET, [(0, 1)], own=own, step_s=10.0, settings=Settings())


def test_transition_chances_sum_to_one():
    made = states(own=0)
    np.testing.assert_allclose(made.step.sum(axis=1), 1.0)
    assert (made.step >= 0).all()
    assert made.own is not None
    np.testing.assert_allclose(made.own.sum(axis=1), 0.0, atol=1e-15)


def test_where_nobody_can_be_at_fault_nothing_is():
    made = make_states(np.empty(0), [], own=None, step_s=10.0, settings=Settings(), at_times=True)
    np.testing.assert_array_equal(made.step, [[1.0]])
    np.testing.assert_array_equal(run(made, np.zeros((3, 1))).smooth, 1.0)


def test_states_are_nothing_fresh_single_and_double():
    made = states()
    assert made.sets == ((), (), (), (0,), (1,), (0,), (1,), (0, 1))
    assert made.recent == (-1, 0, 1, -1, -1, 1, 0, -1)
    assert made.having([1]).tolist() == [False, False, False, False, True, False, True, True]


def test_a_third_that_ends_beside_two_others_is_awaited_again_as_beside_one():
    pairs, common = [(0, 1), (0, 2), (1, 2)], {"own": None, "step_s": 10.0, "settings": Settings()}
    made = make_states(np.full(3, 1e-4), pairs, triples=[(0, 1, 2)], **common)
    place = {state: i for i, state in enumerate(zip(made.sets, made.recent, strict=True))}
    three, two = place[(0, 1, 2), -1], place[(0, 1), -1]
    fresh = place[(0, 1), 2]
    assert made.step[three, fresh] == pytest.approx(10.0 / Settings().mean_fault_s)
    # But for both in one tick: calm comes back and another begins.
    assert made.step[fresh, three] == pytest.approx(10.0 / Settings().recent_onset_s, rel=1e-4)
    assert made.step[two, three] == pytest.approx(1e-4)
    np.testing.assert_allclose(made.step.sum(axis=1), 1.0)
    # Its healthy twin: where no three compete, nothing of it is there.
    without = make_states(np.full(3, 1e-4), pairs, **common)
    assert not any(len(m) > 1 and k >= 0 for m, k in zip(without.sets, without.recent, strict=True))


def test_two_changes_in_one_tick_have_the_chance_of_both():
    """Each element begins and ends by itself: the chances of independent events multiply."""
    pairs = [(0, 1), (0, 2), (1, 2)]
    onset = np.array([1e-3, 2e-4, 5e-4])
    made = make_states(onset, pairs, own=2, step_s=10.0, settings=Settings(), triples=[(0, 1, 2)])
    place = {state: i for i, state in enumerate(zip(made.sets, made.recent, strict=True))}
    nothing, two, three = place[(), -1], place[(0, 1), -1], place[(0, 1, 2), -1]
    ends = 10.0 / Settings().mean_fault_s
    assert made.step[nothing, two] == pytest.approx(1e-3 * 2e-4)
    assert made.step[two, place[(0, 2), -1]] == pytest.approx(ends * 5e-4, rel=0.6)
    assert made.step[nothing, three] == 0.0
    # By how much use of the line changes these: the part with an onset of own traffic, none of the others.
    assert made.own is not None
    assert made.own[nothing, place[(1, 2), -1]] == pytest.approx(2e-4 * 5e-4)
    assert made.own[nothing, two] == 0.0
    np.testing.assert_allclose(made.step.sum(axis=1), 1.0)
    np.testing.assert_allclose(made.own.sum(axis=1), 0.0, atol=1e-15)


@settings(max_examples=30)
@given(st.integers(0, 10_000), st.integers(2, 30))
def test_probabilities_stay_probabilities(seed, ticks):
    rng = np.random.default_rng(seed)
    made = states()
    track = run(made, rng.normal(0, 30, (ticks, 8)))
    for table in (track.forward, track.smooth):
        assert (table >= 0).all()
        assert (table <= 1 + 1e-12).all()
        np.testing.assert_allclose(table.sum(axis=1), 1.0)
    np.testing.assert_allclose(track.smooth[-1], track.forward[-1])


def test_smoothing_equals_the_sum_over_all_paths():
    # Brute force over 8^4 paths: the definition of the posterior of a hidden Markov chain.
    made = states()
    rng = np.random.default_rng(8)
    log = rng.normal(0, 2, (4, 8))
    total = np.zeros((4, 8))
    for path in np.ndindex(8, 8, 8, 8):
        weight, here = 1.0, 0
        for t, there in enumerate(path):
            weight *= made.step[here, there] * np.exp(log[t, there])
            here = there
        for t, there in enumerate(path):
            total[t, there] += weight
    total /= total.sum(axis=1, keepdims=True)
    np.testing.assert_allclose(run(made, log).smooth, total, atol=1e-9)


@settings(max_examples=30)
@given(st.integers(0, 10_000), st.integers(2, 12), st.booleans())
def test_the_last_tick_but_one_is_seen_as_smoothing_to_the_last_sees_it(seed, ticks, own):
    # The definition: smoothing of what is there so far, whose own proof by all paths is above.
    rng = np.random.default_rng(seed)
    made = states(0 if own else None)
    log, factor = rng.normal(0, 2, (ticks, 8)), rng.uniform(0.1, 10, ticks)
    track = run(made, log, factor=factor)
    for end in range(2, ticks + 1):
        so_far = run(made, log[:end], factor=factor[:end]).smooth
        np.testing.assert_allclose(track.soon[end - 2], so_far[end - 2], atol=1e-9)
    np.testing.assert_allclose(track.soon[-1], track.forward[-1])


def test_one_loud_tick_is_not_yet_a_fault_but_three_are():
    log = np.zeros((6, 8))
    first = states().having([0])
    log[2:5, first] = 5.0
    track = run(states(), log)
    assert track.forward[2, first].sum() < 0.5
    assert track.forward[4, first].sum() > 0.95


def test_own_traffic_begins_when_the_line_is_used():
    log = np.zeros((3, 8))
    made = states(own=0)
    own, other = made.having([0]), made.having([1])
    log[1:, own ^ other] = 5.0
    idle = run(made, log, factor=np.full(3, 0.001)).forward[-1]
    busy = run(made, log, factor=np.full(3, 60.0)).forward[-1]
    assert idle[other].sum() > idle[own].sum()
    assert busy[own].sum() > busy[other].sum()
    assert busy.sum() == pytest.approx(1.0)
