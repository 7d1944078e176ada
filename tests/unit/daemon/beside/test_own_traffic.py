"""Totals of own traffic from counters of any width that wrap, restart or stand still."""

import pytest

from whichhop.daemon.beside.own_traffic import Unwrapping
from whichhop.probes.device_talk import Count

S = 1_000_000_000


def count(received: int, sent: int, bits: int = 32, discontinuity: int | None = None) -> Count:
    return Count(received=received, sent=sent, bits=bits, discontinuity=discontinuity)


def test_both_directions_grow_across_a_wrap() -> None:
    both = Unwrapping()
    assert both.add(count(2**32 - 1000, 10), 0, 1e9) == (0, 0)
    assert both.add(count(500, 30), 10 * S, 1e9) == (1500, 20)


def test_a_device_that_shows_the_same_numbers_says_nothing_until_it_counts_again() -> None:
    both = Unwrapping()
    both.add(count(1000, 1000), 0, 1e9)
    assert both.add(count(1000, 1000), 10 * S, 1e9) is None
    assert both.add(count(9000, 3000), 20 * S, 1e9) == (8000, 2000)


def test_a_restart_of_one_begins_both_anew() -> None:
    both = Unwrapping()
    both.add(count(10**6, 10**6, 64), 0, None)
    both.add(count(2 * 10**6, 3 * 10**6, 64), 10 * S, None)
    assert both.add(count(5, 4 * 10**6, 64), 20 * S, None) == (0, 0)


def test_a_width_that_changes_is_a_new_counter() -> None:
    both = Unwrapping()
    both.add(count(10**6, 10**6, 32), 0, 1e9)
    assert both.add(count(10**12, 10**12, 64), 10 * S, 1e9) == (0, 0)
    assert both.add(count(10**12 + 7, 10**12 + 8, 64), 20 * S, 1e9) == (7, 8)


def test_a_value_past_its_width_is_refused() -> None:
    both = Unwrapping()
    both.add(count(1, 1), 0, 1e9)
    with pytest.raises(ValueError, match="does not fit 32 bits"):
        both.add(count(2**33, 1), 10 * S, 1e9)
