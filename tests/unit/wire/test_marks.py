"""A mark's fate by what the far end saw."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from whichhop.wire.marks import Marking, judge_mark


@given(st.integers(1, 63), st.none() | st.integers(0, 63))
def test_each_pair_of_marks_has_one_meaning(sent: int, seen: int | None) -> None:
    expected = {None: Marking.UNKNOWN, 0: Marking.BLEACHED, sent: Marking.KEPT}
    assert judge_mark(sent, seen) is expected.get(seen, Marking.REMARKED)


@pytest.mark.parametrize("sent", [0, 64, -1])
def test_a_mark_that_cannot_show_wiping_is_refused(sent: int) -> None:
    with pytest.raises(ValueError, match=f"DSCP {sent}"):
        judge_mark(sent, 0)
