"""Three faults at once of which one pauses: in most ticks two explain all, and the third is told too."""

import pytest

from support.homes import home_of
from support.windows import disturb, quiet
from whichhop.compare.history import judge
from whichhop.model import Verdict, derive_sessions

HOME = home_of("""\
home: Plum House
plan: {down_mbps: 100, up_mbps: 20}
nodes:
  gateway: {kind: gateway, address: 192.0.2.1}
  sofa:    {kind: host, address: 192.0.2.20, agent: true}
  bed:     {kind: host, address: 192.0.2.21, agent: true}
links:
  - {join: [sofa, gateway], kind: wireless}
  - {join: [bed, gateway], kind: wireless}
  - {join: [gateway, provider-edge], kind: access, medium: cable}
targets:
  provider-edge: 198.51.100.1
  peers:
    harbour: {address: 203.0.113.7, stamp: true}
""")
SESSIONS = derive_sessions(HOME)
LINE, SOFA, BED = "gateway/provider-edge", "sofa/gateway", "bed/gateway"
QUIET = 60
BURSTS = [(0, 2), (4, 7), (11, 13), (17, 19)]


def told(bursts: list[tuple[int, int]]) -> list[Verdict]:
    """What is said where the line and one radio are slow and the other radio now and then."""
    table = quiet(HOME, QUIET + 60)
    disturb(table, HOME, LINE, slice(QUIET, QUIET + 26), delay_s=0.030)
    disturb(table, HOME, SOFA, slice(QUIET + 2, QUIET + 26), delay_s=0.045)
    for first, end in bursts:
        disturb(table, HOME, BED, slice(QUIET + first, QUIET + end), delay_s=0.090)
    return judge(HOME, SESSIONS, table)


@pytest.mark.parametrize("bursts", [BURSTS, []])
def test_the_third_is_told_beside_two_if_and_only_if_it_was_there(bursts: list[tuple[int, int]]) -> None:
    named = [set(v.elements) for v in told(bursts)]
    hops = [LINE, SOFA, *([BED] if bursts else [])]
    assert len(named) == len(hops), named
    assert all(any(hop in each for each in named) for hop in hops), named
