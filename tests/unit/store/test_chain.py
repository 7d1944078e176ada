import pytest
from hypothesis import given
from hypothesis import strategies as st

from whichhop.errors import DataError
from whichhop.store.chain import pack_seqs, unpack_seqs


@given(st.lists(st.integers(1, 2**40), max_size=120).map(lambda v: sorted(set(v))))
def test_any_rising_places_come_back(seqs: list[int]) -> None:
    assert unpack_seqs(pack_seqs(seqs)) == seqs


def test_a_steady_agents_hour_takes_a_few_bytes() -> None:
    assert len(pack_seqs(list(range(100_007, 100_007 + 60 * 12, 12)))) <= 7


def test_damaged_places_are_refused() -> None:
    with pytest.raises(DataError, match="damaged"):
        unpack_seqs(b"\x01\x80")


def test_places_that_would_fill_the_memory_are_refused() -> None:
    with pytest.raises(DataError, match="more than"):
        unpack_seqs(b"\x01\xff\xff\xff\xff\xff\x7f")
