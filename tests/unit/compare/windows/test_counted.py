"""Which readings of a counter tell something new."""

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from whichhop.compare.windows.counted import fresh
from whichhop.compare.windows.table import TICK_NS, empty_table

TICKS = 30
POINTS = st.lists(
    st.tuples(st.integers(0, TICKS * TICK_NS), st.sampled_from([0.0, 1.0, 2.0, 5.0])), min_size=1, max_size=40
)


def one_by_one(points: list[tuple[int, float]], asked: list[int]) -> list[tuple[int, float]]:
    """By its definition: left out is the same value again while packets of ours went over the line."""
    ends = [(i + 1) * TICK_NS for i in range(TICKS)]
    out: list[tuple[int, float]] = []
    told = 0.0
    for at, value in sorted(points):
        by_then = float(np.interp(float(at), [0.0, *map(float, ends)], [0.0, *map(float, asked)]))
        if out and value == out[-1][1] and by_then - told >= 1.0:
            continue
        out.append((at, value))
        told = by_then
    return out


@given(POINTS, st.lists(st.integers(0, 3), min_size=TICKS, max_size=TICKS))
def test_a_value_told_again_while_packets_went_is_left_out(
    points: list[tuple[int, float]], sent: list[int]
) -> None:
    asked = np.cumsum(sent)
    found = fresh(list(points), empty_table([], 0, TICKS), asked)
    assert found == one_by_one(points, asked.tolist())
