"""Reordering by RFC 4737, against its definition written out the slow way."""

from hypothesis import given
from hypothesis import strategies as st

from whichhop.stats.reorder import OrderWatch, reordering

NUMBERS = st.lists(st.integers(0, 60), max_size=60)


def slow(sequence: list[int]) -> list[int]:
    """RFC 4737 3.3 and 4.2 as defined, quadratic: distance to the earliest arrival with a larger number."""
    out, expected = [], -1
    for i, number in enumerate(sequence):
        if number >= expected:
            expected = number + 1
        else:
            out.append(i - min(j for j in range(i) if sequence[j] > number))
    return out


@given(NUMBERS)
def test_extents_follow_the_definition(sequence: list[int]) -> None:
    distinct = list(dict.fromkeys(sequence))
    found = reordering(sequence)
    assert list(found.extents) == slow(distinct)
    assert found.received == len(distinct)
    assert found.duplicates == len(sequence) - len(distinct)
    assert found.largest_extent == max(slow(distinct), default=0)


@given(NUMBERS)
def test_the_running_form_counts_the_same(sequence: list[int]) -> None:
    distinct = list(dict.fromkeys(sequence))
    watch = OrderWatch()
    flags = [watch.update(number) for number in distinct]
    assert watch.reordered == sum(flags) == reordering(distinct).reordered
    assert watch.received == len(distinct)


@given(st.sets(st.integers(0, 1000)))
def test_losses_alone_reorder_nothing(numbers: set[int]) -> None:
    assert reordering(sorted(numbers)).reordered == 0


def test_no_packet_has_no_ratio_and_one_packet_is_in_order() -> None:
    assert reordering([]).ratio is None
    assert reordering([]).largest_extent == 0
    assert reordering([9]).ratio == 0
    assert OrderWatch().received == 0
