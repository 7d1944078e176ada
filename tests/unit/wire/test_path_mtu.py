"""The search over packet sizes against a path of known size that may speak, swallow or lose at random."""

import random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from whichhop.wire.path_mtu import MAX_PROBES, SIZES, PathMtu, SizeOutcome, SizeSearch, echo_payload_octets


def walk(mtu: int, *, speaks: bool, loss: float = 0.0, seed: int = 0) -> tuple[PathMtu, int]:
    """A search over a path written here: larger packets draw a report or vanish, others pass or are lost."""
    search, dice, probes = SizeSearch(), random.Random(seed), 0
    while (size := search.step()) is not None:
        probes += 1
        if size > mtu and speaks:
            search.too_big(mtu)
        elif size > mtu or dice.random() < loss:
            search.lost()
        else:
            search.passed()
    return search.result(), probes


@given(st.integers(1280, 1600), st.booleans())
def test_the_largest_size_that_fits_is_found(mtu: int, speaks: bool) -> None:
    found, _ = walk(mtu, speaks=speaks)
    assert found.size == max(size for size in SIZES if size <= mtu)
    assert found.told == (mtu if speaks and mtu < max(SIZES) else None)


def test_a_router_that_drops_without_a_word_is_told_from_one_that_speaks() -> None:
    silent, _ = walk(1492, speaks=False)
    assert silent.outcomes == {
        1500: SizeOutcome.SWALLOWED,
        1492: SizeOutcome.PASSED,
        1280: SizeOutcome.PASSED,
    }
    spoken, probes = walk(1280, speaks=True)
    assert spoken.outcomes == {1500: SizeOutcome.TOO_BIG, 1492: SizeOutcome.TOO_BIG, 1280: SizeOutcome.PASSED}
    assert probes == 2, "a told size is not searched for"


@given(st.integers(0, 1000))
def test_a_single_loss_proves_nothing(seed: int) -> None:
    # RFC 4821 and RFC 8899: only MAX_PROBES losses in a row give a size up
    search = SizeSearch()
    for _ in range(MAX_PROBES - 1):
        search.lost()
    assert search.step() == 1500
    search.passed()
    assert search.result().size == 1500
    found, probes = walk(1500, speaks=True, loss=0.3, seed=seed)
    assert probes <= MAX_PROBES * len(SIZES)
    assert found.size is None or found.outcomes[found.size] is SizeOutcome.PASSED


def test_a_target_that_never_answers_says_nothing_of_sizes() -> None:
    found, probes = walk(0, speaks=False)
    assert found == PathMtu(size=None, told=None, outcomes=dict.fromkeys(SIZES, SizeOutcome.UNKNOWN))
    assert probes == MAX_PROBES * len(SIZES)


def test_a_report_that_is_not_smaller_is_not_believed() -> None:
    # RFC 8899 4.6.1
    search = SizeSearch()
    search.too_big(1500)
    search.too_big(9000)
    assert search.step() == 1500
    assert search.result().told is None


def test_an_old_router_that_names_no_size_moves_the_search_one_on() -> None:
    search = SizeSearch()
    search.too_big(0)
    assert search.step() == 1492
    assert search.result().told is None


def test_an_echo_request_of_a_size_has_the_payload_left_by_its_headers() -> None:
    # arithmetic of RFC 791, 8200, 792 and 4443 headers: 20 + 8 and 40 + 8
    assert [echo_payload_octets(size, 4) for size in SIZES] == [1472, 1464, 1252]
    assert [echo_payload_octets(size, 6) for size in SIZES] == [1452, 1444, 1232]


@pytest.mark.parametrize("sizes", [(), (1280, 1500), (1500, 1500)])
def test_sizes_that_do_not_fall_are_refused(sizes: tuple[int, ...]) -> None:
    with pytest.raises(ValueError, match="must fall"):
        SizeSearch(sizes=sizes)
