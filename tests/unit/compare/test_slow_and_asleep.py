"""A laptop's radio is at fault beside the line, and the laptop dozes: nothing in between is named as a third.

A station that saves power sleeps some 100 ms after it asked; what comes later waits for a beacon, one in
102 ms, of up to three (IEEE 802.11, clause 11.2; usual interval and listen interval: common practice).
"""

import numpy as np
import pytest

from support.homes import home_of
from support.windows import disturb, named, quiet
from whichhop.compare.history import judge
from whichhop.model import derive_sessions

HOME = home_of("""\
home: Rowan House
plan: {down_mbps: 100, up_mbps: 20}
nodes:
  modem:  {kind: modem}
  router: {kind: router, address: 192.0.2.1}
  attic:  {kind: mesh-node, address: 192.0.2.2, agent: true}
  desk:   {kind: host, address: 192.0.2.20, agent: true}
  study:  {kind: host, address: 192.0.2.30, agent: true}
links:
  - {join: [desk, attic], kind: wireless}
  - {join: [attic, router], kind: backhaul, medium: radio}
  - {join: [study, router], kind: wired}
  - {join: [router, modem], kind: wired}
  - {join: [modem, provider-edge], kind: access, medium: cable}
targets:
  provider-edge: 198.51.100.1
  peers: {harbour: {address: 203.0.113.7, stamp: true}, mill: {address: 203.0.113.9}}
  resolvers: {names: 198.51.100.53}
  lookup: www.example.org
""")
SESSIONS = derive_sessions(HOME)
LINE, RADIO, BETWEEN = "modem/provider-edge", "desk/attic", "forward:attic"
QUIET, TICKS = 120, 60
SELDOM = ("desk>mill:echo", "desk>names:lookup", "study>desk:stamp")
"""What the laptop hears seldom comes while it sleeps."""


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_what_waits_for_the_laptops_own_radio_is_no_third_fault(seed: int) -> None:
    rng = np.random.default_rng(seed)
    table = quiet(HOME, QUIET + 2 * TICKS)
    disturb(table, HOME, LINE, slice(QUIET, QUIET + 2 * TICKS), delay_s=0.06)
    both = slice(QUIET + TICKS // 2, QUIET + TICKS + TICKS // 2)
    disturb(table, HOME, RADIO, both, delay_s=0.08)
    for text in SELDOM:
        wait = rng.uniform(0.09, 0.16, TICKS)
        table.q50_s[both, named(SESSIONS, text)] += wait
        table.q80_s[both, named(SESSIONS, text)] += wait + 0.06
    said = [set(v.elements) for v in judge(HOME, SESSIONS, table)]
    assert any(LINE in each for each in said)
    assert any(RADIO in each for each in said)
    assert len(said) == 2, said


def test_a_box_on_the_way_is_named_beside_both_where_all_that_crosses_it_is_later() -> None:
    table = quiet(HOME, QUIET + 2 * TICKS)
    disturb(table, HOME, LINE, slice(QUIET, QUIET + 2 * TICKS), delay_s=0.06)
    both = slice(QUIET + TICKS // 2, QUIET + TICKS + TICKS // 2)
    disturb(table, HOME, RADIO, both, delay_s=0.08)
    disturb(table, HOME, BETWEEN, both, delay_s=0.12)
    said = [set(v.elements) for v in judge(HOME, SESSIONS, table)]
    assert any(BETWEEN in each for each in said), said
