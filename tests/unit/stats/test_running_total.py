"""A total that only grows, from counters that wrap, restart, stall or are read too late."""

from hypothesis import given
from hypothesis import strategies as st

from whichhop.stats.rate import CounterReading, RunningTotal, Step

S = 1_000_000_000


def reading(at_s: float, value: int, discontinuity: int | None = None) -> CounterReading:
    return CounterReading(at_ns=round(at_s * S), value=value, discontinuity=discontinuity)


def test_a_wrap_of_32_bits_adds_what_was_counted_across_it() -> None:
    total = RunningTotal(bits=32, most_per_s=125e6)
    assert total.add(reading(0, 4_294_967_000)) is None
    # check value 11.17: 4294967000 then 500 is 796
    assert total.add(reading(10, 500)) is Step.WRAPPED
    assert total.value == 796


def test_readings_further_apart_than_the_wrap_time_begin_the_total_anew() -> None:
    total = RunningTotal(bits=32, most_per_s=125e6)
    total.add(reading(0, 0))
    total.add(reading(10, 1_000))
    # RFC 2863 3.1.6: 34 s at 1 Gb/s
    assert total.add(reading(50, 2_000)) is Step.UNKNOWABLE
    assert total.value == 0
    total.add(reading(60, 2_500))
    assert total.value == 500


def test_a_restart_told_by_the_discontinuity_time_is_no_traffic() -> None:
    total = RunningTotal(bits=64)
    total.add(reading(0, 10**9, 1))
    assert total.add(reading(10, 10**9 + 5, 2)) is Step.RESTARTED
    assert total.value == 0


def test_a_second_reading_at_the_same_instant_changes_nothing() -> None:
    total = RunningTotal(bits=64)
    total.add(reading(0, 100))
    assert total.add(reading(0, 300)) is Step.STALLED
    total.add(reading(10, 400))
    assert total.value == 300


@given(st.lists(st.integers(0, 10**9), max_size=30), st.integers(0, 2**32 - 1), st.sampled_from([32, 64]))
def test_what_was_counted_adds_up_across_any_wrap(steps: list[int], start: int, bits: int) -> None:
    # A counter of 64 bits has no wrap (RFC 2863 3.1.6): it begins anew where it falls.
    total = RunningTotal(bits=bits, most_per_s=2e9)
    total.add(reading(0, start))
    for i, step in enumerate(steps, 1):
        start = (start + step) % 2**bits
        total.add(reading(i, start))
    assert total.value == sum(steps)


@given(st.integers(1, 10**9), st.integers(0, 10**9))
def test_a_fall_of_64_bits_is_a_restart(fall: int, value: int) -> None:
    total = RunningTotal(bits=64, most_per_s=2e9)
    total.add(reading(0, value + fall))
    assert total.add(reading(1, value)) is Step.RESTARTED
    assert total.value == 0
