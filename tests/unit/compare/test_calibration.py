from hypothesis import given
from hypothesis import strategies as st

from whichhop.compare.calibration import LEAST, MOST, published


@given(st.floats(0, 1), st.floats(0, 1))
def test_the_map_keeps_order_and_stays_a_probability(one, two):
    low, high = sorted((one, two))
    assert LEAST <= published(low) <= published(high) <= MOST
