"""RFC 3550 jitter: its two forms against each other, its bounds, its hard inputs."""

import itertools

from hypothesis import given
from hypothesis import strategies as st

from whichhop.stats.jitter import IntegerJitter, Jitter, jitter_after_each

TRANSITS = st.lists(st.integers(0, 10**6), max_size=60)


@given(TRANSITS)
def test_the_whole_number_form_stays_within_one_unit_under_the_float_form(transits: list[int]) -> None:
    exact, whole = Jitter(), IntegerJitter()
    for transit in transits:
        exact.update(transit)
        whole.update(transit)
        assert abs(exact.value - whole.state / 16) <= 1
        assert -1 <= exact.value - whole.reported <= 2


@given(TRANSITS)
def test_jitter_never_exceeds_the_largest_step(transits: list[int]) -> None:
    largest = max((abs(a - b) for a, b in itertools.pairwise(transits)), default=0)
    assert all(0 <= j <= largest for j in jitter_after_each(transits))


@given(TRANSITS, st.integers(-(10**9), 10**9))
def test_a_constant_clock_offset_cancels(transits: list[int], offset: int) -> None:
    assert jitter_after_each([t + offset for t in transits]) == jitter_after_each(transits)


def test_no_packet_and_one_packet_leave_it_unknown() -> None:
    for estimator in (Jitter(), IntegerJitter()):
        assert estimator.pairs == 0
        assert estimator.update(1000) == 0
        assert estimator.pairs == 0
    assert jitter_after_each([]) == []
    assert jitter_after_each([5]) == []


def test_a_steady_path_has_no_jitter() -> None:
    assert jitter_after_each([7.5] * 10) == [0.0] * 9
