import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra import numpy as arrays

from whichhop.compare.windows.around import highest_around, summed_around


@given(
    arrays.arrays(np.int64, st.tuples(st.integers(0, 12), st.integers(1, 3)), elements=st.integers(0, 99)),
    st.sampled_from([1, 3, 7]),
)
def test_sums_are_of_the_tick_in_the_middle_however_few_there_are(values: np.ndarray, ticks: int) -> None:
    each = ticks // 2
    expected = [values[max(0, t - each) : t + each + 1].sum(axis=0) for t in range(len(values))]
    assert summed_around(values, ticks).tolist() == [row.tolist() for row in expected]
    assert summed_around(values[:, 0], ticks).tolist() == [row[0] for row in expected]


def test_the_highest_of_a_tick_and_its_neighbours_leaves_out_what_is_not_known() -> None:
    nan = float("nan")
    found = highest_around(np.array([nan, nan, 3.0, 1.0, nan, nan, 2.0]))
    assert found.tolist() == pytest.approx([nan, 3.0, 3.0, 3.0, 1.0, 2.0, 2.0], nan_ok=True)
