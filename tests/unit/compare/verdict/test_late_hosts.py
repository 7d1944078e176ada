"""A machine that runs late is late in what it asks and in what it answers, and so is its link."""

import numpy as np
import pytest

from support.homes import alder, home_of
from support.windows import START_NS, disturb, quiet
from whichhop.compare.history import judge
from whichhop.compare.verdict.late_hosts import late_machines
from whichhop.model import Cause, Home, Reading, Verdict, derive_sessions
from whichhop.model.units import NS_PER_S

TICKS, ILL = 160, slice(60, 160)
TWO = """\
home: Two Wires
nodes:
  router: {kind: router, address: 192.0.2.1}
  north:  {kind: host, address: 192.0.2.30, agent: true}
  south:  {kind: host, address: 192.0.2.31, agent: true}
links:
  - {join: [north, router], kind: wired}
  - {join: [south, router], kind: wired}
  - {join: [router, provider-edge], kind: access, medium: cable}
targets: {provider-edge: 198.51.100.1}
"""


def lateness(agent: str, well_s: float, ill_s: float) -> list[Reading]:
    return [
        Reading(
            at_ns=START_NS + (t + 1) * 10 * NS_PER_S,
            agent=agent,
            name="loop_lateness_s",
            value=ill_s if ILL.start <= t < ILL.stop else well_s,
        )
        for t in range(TICKS)
    ]


def judged(home: Home, element: str, readings: list[Reading], lost: int = 0) -> Verdict:
    table = disturb(quiet(home, TICKS), home, element, ILL, delay_s=0.04, lost=lost)
    (verdict,) = judge(home, derive_sessions(home), table, readings)
    return verdict


def test_a_wired_machine_that_runs_late_meanwhile_is_named_before_its_cable() -> None:
    verdict = judged(alder(), "study/router", lateness("study", 0.001, 0.03))
    assert verdict.cause is Cause.AGENT_HOST
    assert verdict.elements == ("host:study", "study/router")


@pytest.mark.parametrize(("well_s", "ill_s", "lost"), [(0.001, 0.001, 0), (0.03, 0.03, 0), (0.001, 0.03, 3)])
def test_one_on_time_or_always_late_or_whose_cable_loses_is_not(
    well_s: float, ill_s: float, lost: int
) -> None:
    verdict = judged(alder(), "study/router", lateness("study", well_s, ill_s), lost)
    assert verdict.cause is Cause.WIRED_LAN
    assert verdict.elements == ("study/router",)


def test_two_that_run_late_at_once_are_no_fault_of_the_router_between_them() -> None:
    home = home_of(TWO)
    both = [*lateness("north", 0.001, 0.03), *lateness("south", 0.001, 0.03)]
    late, well = (judged(home, "node:router", found) for found in (both, []))
    assert late.cause is Cause.AGENT_HOST
    assert {"host:north", "host:south"} <= set(late.elements)
    assert well.cause is Cause.HOME_NODE
    assert not {"host:north", "host:south"} & set(well.elements)


def test_a_slow_line_is_no_lateness_of_who_uses_it() -> None:
    home = alder()
    late = [r for agent in ("desk", "study", "attic") for r in lateness(agent, 0.001, 0.03)]
    verdict = judged(home, "modem/provider-edge", late)
    assert not any(name.startswith("host:") for name in verdict.elements)


def test_who_tells_nothing_for_half_of_the_time_is_not_late() -> None:
    late_s = np.full((10, 1), np.nan, dtype=np.float32)
    late_s[:4] = 0.05
    assert late_machines(late_s, ("study",), 0, 10) == frozenset()
    late_s[:5] = 0.05
    assert late_machines(late_s, ("study",), 0, 10) == frozenset({"study"})
