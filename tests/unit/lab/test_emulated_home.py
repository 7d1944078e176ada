"""The self-check's way on when a link is not as asked: deeper token buckets for a machine that wakes late."""

from typing import Any

import pytest

from whichhop.errors import SystemRefusedError
from whichhop.lab.build.plan import BUCKETS_S
from whichhop.lab.emulated_home import EmulatedHome
from whichhop.lab.scenario import LinkNature, Scenario
from whichhop.lab.standard_home import alder_home

RATE_BPS = 100_000_000


class LateHome(EmulatedHome):
    """A home on a machine whose queues sleep `wakes_s` too long, and pass so much less in that time."""

    def __init__(self, wakes_s: float) -> None:
        natures = {"modem/provider-edge": LinkNature(delay_s=0.0, rate_bps=RATE_BPS)}
        super().__init__(Scenario(name="late", home=alder_home(), natures=natures))
        self.wakes_s, self.shaped, self._faults = wakes_s, 0, self  # type: ignore[assignment]

    def _measure(self) -> None:
        depth_s = self.plan.bucket_s
        rate = RATE_BPS * min(1.0, depth_s / self.wakes_s)
        seen: dict[str, Any] = {"sent": 1, "came": 1, "delays_ns": [0], "rate_bps": rate}
        self.measured = {"modem/provider-edge down": seen}

    def _shape(self) -> None:
        self.shaped += 1


@pytest.mark.parametrize(("wakes_s", "depth"), [(0.0001, 0), (0.01, 1), (0.05, 2)])
def test_buckets_are_as_deep_as_the_machine_makes_needful_and_no_deeper(wakes_s: float, depth: int) -> None:
    home = LateHome(wakes_s)
    home.check()
    assert home.plan.bucket_s == BUCKETS_S[depth]
    assert home.shaped == depth


def test_a_link_that_stays_short_of_its_rate_is_refused_with_both_figures() -> None:
    home = LateHome(0.128)
    with pytest.raises(SystemRefusedError, match=r"50\.0 Mbit/s passed where 100\.0 Mbit/s was asked"):
        home.check()
    assert home.plan.bucket_s == BUCKETS_S[-1]
