"""Waiting for a whole multiple of a time."""

from hypothesis import given
from hypothesis import strategies as st

from whichhop.model.units import NS_PER_S, seconds_to_next


def test_on_a_multiple_the_next_one_is_a_whole_step_away() -> None:
    assert seconds_to_next(1_700_000_000 * NS_PER_S, 10.0) == 10.0
    assert seconds_to_next(1_700_000_009 * NS_PER_S, 10.0) == 1.0


@given(st.integers(0, 2**62), st.floats(0.05, 3600))
def test_the_wait_ends_on_a_multiple(now_ns: int, every_s: float) -> None:
    wait_s = seconds_to_next(now_ns, every_s)
    assert 0 < wait_s <= every_s + 1e-9
    step_ns = round(every_s * NS_PER_S)
    off = (now_ns + round(wait_s * NS_PER_S)) % step_ns
    assert min(off, step_ns - off) <= 1000
