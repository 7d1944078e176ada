"""Counters: wraps counted, restarts and lost time never turned into traffic."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from whichhop.stats.rate import CounterReading, Step, delta

GIGABIT = 1e9 / 8


def at(second: float, value: int, discontinuity: int | None = None) -> CounterReading:
    return CounterReading(at_ns=int(second * 1e9), value=value, discontinuity=discontinuity)


@given(st.integers(0, 2**32 - 1), st.integers(0, 2**32 - 1), st.sampled_from([32, 64]))
def test_a_counter_read_in_time_gives_the_truth_across_its_top(start: int, octets: int, bits: int) -> None:
    true = start + octets
    found = delta(at(0, start % 2**bits), at(40, true % 2**bits), bits=bits)
    assert found.amount == octets
    assert found.step is (Step.WRAPPED if true >= 2**bits else Step.COUNTED)
    assert found.seconds == 40


def test_readings_further_apart_than_the_wrap_time_are_unknowable() -> None:
    # RFC 2863 3.1.6: 34 s at 1 Gb/s for 32 bits
    assert delta(at(0, 5), at(34, 9), bits=32, most_per_s=GIGABIT).step is Step.COUNTED
    found = delta(at(0, 5), at(35, 9), bits=32, most_per_s=GIGABIT)
    assert found.step is Step.UNKNOWABLE
    assert found.amount is None
    assert delta(at(0, 5), at(35, 9), bits=64, most_per_s=GIGABIT).amount == 4


def test_a_restart_is_not_taken_for_a_wrap() -> None:
    assert delta(at(0, 900_000), at(10, 50), bits=64).step is Step.RESTARTED
    # a 32-bit fall that the line could not have carried in one second
    assert delta(at(0, 900_000), at(1, 50), bits=32, most_per_s=GIGABIT).step is Step.RESTARTED
    assert delta(at(0, 2**32 - 10), at(1, 50), bits=32, most_per_s=GIGABIT).amount == 60


def test_a_changed_discontinuity_time_throws_the_delta_away() -> None:
    # RFC 2863 ifCounterDiscontinuityTime: values from before it must not be compared
    found = delta(at(0, 10, 77), at(10, 20, 5000), bits=64)
    assert (found.step, found.amount) == (Step.RESTARTED, None)
    assert delta(at(0, 10, 77), at(10, 20, 77), bits=64).amount == 10


def test_no_time_between_readings_gives_no_rate() -> None:
    for second in (0, -1):
        found = delta(at(0, 10), at(second, 20), bits=32)
        assert (found.step, found.amount) == (Step.STALLED, None)


def test_a_value_past_the_counters_top_is_refused() -> None:
    with pytest.raises(ValueError, match="does not fit 32 bits"):
        delta(at(0, 1), at(1, 2**32), bits=32)
