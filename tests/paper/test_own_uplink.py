"""A filled uplink is the home's own doing, and the same queue with the home silent is the line's."""

import pytest

from support.own_uplink import LINE, Shape, on_paper
from whichhop.compare.suspects.elements import OWN_TRAFFIC
from whichhop.model import Cause

pytestmark = pytest.mark.slow


@pytest.mark.parametrize("seed", range(5))
def test_an_uplink_filled_by_the_home_is_never_the_providers_fault(seed: int) -> None:
    assert [v.cause for v in on_paper(Shape.drawn(seed))] == [Cause.OWN_TRAFFIC]


@pytest.mark.parametrize("seed", range(3))
def test_the_same_queue_with_the_home_silent_is_the_lines(seed: int) -> None:
    (verdict,) = on_paper(Shape.drawn(seed), silent=True)
    assert verdict.elements[0] == LINE
    assert OWN_TRAFFIC not in verdict.elements
    # Nothing is probed between the router's inside and the line, so its way through stays in the group.
    assert set(verdict.elements[1:]) <= {"route:router", "router/modem"}
