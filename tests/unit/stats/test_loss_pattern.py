"""Loss patterns: RFC 3357 and RFC 3611's own words as properties, and the hard inputs."""

import itertools

import pytest
from hypothesis import given
from hypothesis import strategies as st

from whichhop.stats import loss_pattern as lp

STREAM = st.lists(st.booleans(), max_size=120) | st.lists(
    st.sampled_from([False] * 19 + [True]), min_size=50, max_size=300
)


@given(STREAM)
def test_distances_add_up_to_the_span_of_the_losses(lost: list[bool]) -> None:
    where = lp.loss_indexes(lost)
    span = where[-1] - where[0] if where else 0
    assert sum(lp.loss_distances(lost)) == span


@given(STREAM)
def test_period_lengths_add_up_to_all_losses(lost: list[bool]) -> None:
    assert sum(lp.period_lengths(lost)) == sum(lost)
    assert max(lp.loss_periods(lost), default=0) == len(lp.period_starts(lost))
    assert len(lp.period_lengths(lost)) == len(lp.period_starts(lost))


@given(STREAM, st.integers(1, 99))
def test_a_wider_constraint_notices_no_fewer_losses(lost: list[bool], delta: int) -> None:
    assert set(lp.noticeable(lost, delta)) <= set(lp.noticeable(lost, delta + 1))


@given(STREAM, st.integers(1, 40))
def test_bursts_are_as_the_definition_says(lost: list[bool], gmin: int) -> None:
    found = lp.bursts_and_gaps(lost, gmin)
    for burst in found.bursts:
        assert lost[burst.first]
        assert lost[burst.last]
        inside = lost[burst.first : burst.last + 1]
        assert sum(inside) == burst.lost >= 2
        assert "0" * gmin not in "".join("1" if gone else "0" for gone in inside)
    # nothing that could join a burst was left out: losses of different bursts are gmin good packets apart
    edges = [(b.first, b.last) for b in found.bursts] + [(i, i) for i in found.isolated]
    edges.sort()
    assert all(after[0] - before[1] - 1 >= gmin for before, after in itertools.pairwise(edges))


@given(STREAM, st.integers(1, 40))
def test_bursts_and_gaps_hold_every_packet_and_every_loss_once(lost: list[bool], gmin: int) -> None:
    found = lp.bursts_and_gaps(lost, gmin)
    assert sum(b.packets for b in found.bursts) + sum(found.gaps) == len(lost)
    assert sum(b.lost for b in found.bursts) + len(found.isolated) == sum(lost)


def test_no_packet_has_no_pattern() -> None:
    found = lp.bursts_and_gaps([])
    assert (found.bursts, found.gaps, found.isolated) == ((), (), ())
    assert found.burst_density is None
    assert found.gap_density is None
    assert found.mean_burst_packets is None
    assert lp.loss_distances([]) == lp.loss_periods([]) == lp.period_lengths([]) == []
    assert lp.noticeable([], 5) == []


def test_all_lost_is_one_burst_and_no_gap() -> None:
    found = lp.bursts_and_gaps([True] * 30)
    assert found.burst_density == 1
    assert found.gaps == ()
    assert found.gap_density is None
    assert lp.loss_periods([True] * 3) == [1, 1, 1]


def test_one_packet_lost_stands_alone() -> None:
    found = lp.bursts_and_gaps([True])
    assert (found.bursts, found.isolated, found.gaps, found.gap_density) == ((), (0,), (1,), 1.0)
    assert lp.noticeable([True], 99) == []
    kept = lp.bursts_and_gaps([False])
    assert (kept.gaps, kept.gap_density) == ((1,), 0)


def test_a_minimum_gap_of_nothing_is_refused() -> None:
    with pytest.raises(ValueError, match="gmin 0"):
        lp.bursts_and_gaps([True], 0)
