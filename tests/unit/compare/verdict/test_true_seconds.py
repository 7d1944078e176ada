"""True second faults that rules against false ones must not take away: each made by hand in a small home."""

import pytest

from support.homes import alder, home_of
from support.windows import disturb, full_line, quiet
from whichhop.compare.history import judge
from whichhop.model import derive_sessions

HOME = alder()
ONE_AGENT = home_of("""\
home: Fir Hut
plan: {down_mbps: 100, up_mbps: 20}
nodes:
  router: {kind: router, address: 192.0.2.1}
  attic:  {kind: mesh-node, address: 192.0.2.2, agent: true}
  desk:   {kind: host, address: 192.0.2.20, agent: true}
links:
  - {join: [desk, attic], kind: wireless}
  - {join: [attic, router], kind: backhaul, medium: radio}
  - {join: [router, provider-edge], kind: access, medium: cable}
targets:
  provider-edge: 198.51.100.1
  peers: {harbour: {address: 203.0.113.7, stamp: true}}
""")
TWO_RADIOS = home_of("""\
home: Elm Flat
plan: {down_mbps: 100, up_mbps: 20}
nodes:
  modem:   {kind: modem}
  router:  {kind: router, address: 192.0.2.1}
  desk:    {kind: host, address: 192.0.2.20, agent: true}
  sofa:    {kind: host, address: 192.0.2.21, agent: true}
links:
  - {join: [desk, router], kind: wireless}
  - {join: [sofa, router], kind: wireless}
  - {join: [router, modem], kind: wired}
  - {join: [modem, provider-edge], kind: access, medium: cable}
targets:
  provider-edge: 198.51.100.1
  peers:
    harbour: {address: 203.0.113.7, stamp: true}
    lagoon: {address: 203.0.113.8, stamp: true}
""")


def names(home, table, readings=()):
    found = judge(home, derive_sessions(home), table, readings)
    return sorted(v.elements for v in found)


@pytest.mark.parametrize(
    ("radio_s", "lost", "named"),
    [
        (0.04, 0, [("own-traffic",)]),
        (0.20, 0, [("desk/attic",), ("own-traffic",)]),
        (0.04, 3, [("desk/attic",), ("own-traffic",)]),
    ],
)
def test_a_radio_worse_than_the_line_that_the_home_fills_is_no_part_of_that(radio_s, lost, named):
    table = disturb(quiet(HOME, 70), HOME, "modem/provider-edge", slice(40, 60), delay_s=0.08)
    table = disturb(table, HOME, "desk/attic", slice(40, 60), delay_s=radio_s, lost=lost)
    assert names(HOME, table, full_line(72, 40, 60)) == named


def test_where_all_who_meet_the_line_meet_a_worse_radio_first_counters_are_own_traffics_proof():
    table = disturb(quiet(ONE_AGENT, 80), ONE_AGENT, "attic/router", slice(38, 70), delay_s=0.06)
    table = disturb(table, ONE_AGENT, "router/provider-edge", slice(42, 60), delay_s=0.03)
    radio = ("attic/router", "node:router")
    assert names(ONE_AGENT, table, full_line(82, 42, 60)) == [radio, ("own-traffic",)]
    assert names(ONE_AGENT, table, full_line(82, 82, 82)) == [
        radio,
        ("router/provider-edge", "forward:router"),
    ]


def test_what_is_past_the_home_shows_through_a_radio_all_else_on_which_is_well():
    table = disturb(quiet(TWO_RADIOS, 70), TWO_RADIOS, "sofa/router", slice(40, 62), delay_s=0.15)
    past = disturb(quiet(TWO_RADIOS, 70), TWO_RADIOS, "sofa/router", slice(40, 62), delay_s=0.15)
    past = disturb(past, TWO_RADIOS, "beyond", slice(40, 60), delay_s=0.011)
    assert names(TWO_RADIOS, past) == [("beyond",), ("sofa/router",)]
    swaying = disturb(table, TWO_RADIOS, "desk/router", slice(40, 60), delay_s=0.011)
    assert ("beyond",) not in names(TWO_RADIOS, swaying)
