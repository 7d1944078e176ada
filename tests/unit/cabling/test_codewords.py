"""Codeword ratios from two readings: deltas only, with wraps, resets and stalls."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from support.channels import down
from whichhop.cabling.codewords import WRAP, CounterState, codeword_delta, count_delta
from whichhop.model import Channel


def counted(unerrored: int | None, corrected: int | None, uncorrectable: int | None) -> Channel:
    return down(unerrored=unerrored, corrected=corrected, uncorrectable=uncorrectable)


def test_the_ratio_is_of_all_three_kinds_since_unerrored_leaves_out_the_others() -> None:
    # RFC 4546: docsIfSigQUnerroreds counts codewords received without error, apart from the other two.
    delta = codeword_delta(counted(0, 0, 0), counted(9990, 8, 2), 60.0)
    assert delta.uncorrectable_ratio == 2e-4
    assert delta.corrected_ratio == 8e-4
    assert delta.total == 10_000


def test_a_large_total_from_long_ago_does_not_count() -> None:
    old = counted(5_000_000, 700_000, 900_000)
    new = counted(5_100_000, 700_000, 900_000)
    assert codeword_delta(old, new, 60.0).uncorrectable_ratio == 0.0


def test_a_wrapped_32_bit_counter_is_continued() -> None:
    # 4294967000 then 500: 796 by the modulo of RFC 2578's Counter32
    delta = codeword_delta(counted(4_294_967_000, 3, 1), counted(500, 3, 1), 60.0)
    assert (delta.state, delta.unerrored) == (CounterState.WRAPPED, 796)


def test_after_a_restart_what_was_counted_since_is_used() -> None:
    delta = codeword_delta(counted(2_000_000, 50, 40), counted(9_990, 8, 2), 60.0)
    assert delta.state is CounterState.RESET
    assert (delta.unerrored, delta.corrected, delta.uncorrectable) == (9_990, 8, 2)
    assert delta.uncorrectable_ratio == 2e-4


def test_an_implausible_wrap_is_a_restart() -> None:
    # 2 million short of nothing: as a wrap it would be 4.29e9 codewords in a minute
    delta = codeword_delta(counted(2_000_000, 0, 0), counted(1_000, 0, 0), 60.0)
    assert delta.state is CounterState.RESET
    assert delta.unerrored == 1_000


def test_readings_a_day_apart_leave_a_fallen_counter_unknowable() -> None:
    delta = codeword_delta(counted(4_000_000_000, 0, 5), counted(1_000, 0, 5), 86_400.0)
    assert delta.state is CounterState.UNKNOWABLE
    assert delta.uncorrectable_ratio is None


def test_a_stalled_counter_has_no_ratio_rather_than_a_good_one() -> None:
    delta = codeword_delta(counted(100, 2, 1), counted(100, 2, 1), 60.0)
    assert delta.state is CounterState.STALLED
    assert delta.uncorrectable_ratio is None


def test_a_missing_counter_leaves_the_ratio_unknown_but_keeps_the_count() -> None:
    delta = codeword_delta(counted(None, 2, 1), counted(None, 2, 7), 60.0)
    assert delta.state is CounterState.INCOMPLETE
    assert delta.uncorrectable == 6
    assert delta.uncorrectable_ratio is None


def test_readings_without_time_between_are_refused() -> None:
    with pytest.raises(ValueError, match="time between"):
        codeword_delta(counted(1, 1, 1), counted(2, 2, 2), 0.0)


@given(
    st.integers(0, WRAP - 1),
    st.integers(0, 2_000_000),
    st.integers(0, 1000),
    st.integers(0, 1000),
)
def test_every_wrap_within_reach_gives_back_what_was_counted(
    start: int, more: int, corrected: int, lost: int
) -> None:
    old = counted(start, 10, 10)
    new = counted((start + more) % WRAP, 10 + corrected, 10 + lost)
    delta = codeword_delta(old, new, 60.0)
    assert (delta.unerrored, delta.corrected, delta.uncorrectable) == (more, corrected, lost)


@given(st.integers(0, 10**12), st.integers(0, 10**12), st.integers(1, 10**6))
def test_no_delta_is_ever_negative(before: int, after: int, seconds: int) -> None:
    delta = codeword_delta(counted(before, 1, 1), counted(after, 1, 1), float(seconds))
    assert delta.unerrored is None or delta.unerrored >= 0


def test_a_small_event_counter_starts_over_after_a_restart() -> None:
    assert count_delta(7, 9) == 2
    assert count_delta(7, 1) == 1
    assert count_delta(None, 3) is None
