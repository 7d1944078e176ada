"""A mark's fate by what the far end saw."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from whichhop.wire.dscp import DscpFate, judge_dscp


@given(st.integers(1, 63), st.none() | st.integers(0, 63))
def test_each_pair_of_marks_has_one_meaning(sent: int, seen: int | None) -> None:
    expected = {None: DscpFate.UNKNOWN, 0: DscpFate.BLEACHED, sent: DscpFate.KEPT}
    assert judge_dscp(sent, seen) is expected.get(seen, DscpFate.REMARKED)


@pytest.mark.parametrize("sent", [0, 64, -1])
def test_a_mark_that_cannot_show_wiping_is_refused(sent: int) -> None:
    with pytest.raises(ValueError, match=f"DSCP {sent}"):
        judge_dscp(sent, 0)
