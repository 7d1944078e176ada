"""Several devices on radio that doze at once: each is late in what wakes it, and no target that they ask is.

Power save holds an answer back until a beacon, each 102 ms (IEEE 802.11, clause 11.2; usual interval).
"""

import numpy as np
import pytest

from support.homes import home_of
from support.windows import named, quiet
from whichhop.compare.history import judge
from whichhop.model import Cause, derive_sessions

HOME = home_of(
    """
home: Beech House
plan: {down_mbps: 100, up_mbps: 20}
nodes:
  router: {kind: gateway, address: 192.0.2.1}
  one: {kind: host, address: 192.0.2.21, agent: true}
  two: {kind: host, address: 192.0.2.22, agent: true}
  three: {kind: host, address: 192.0.2.23, agent: true}
links:
  - {join: [one, router], kind: wireless}
  - {join: [two, router], kind: wireless}
  - {join: [three, router], kind: wireless}
  - {join: [router, provider-edge], kind: access, medium: fibre}
targets:
  provider-edge: 198.51.100.1
  peers: {harbour: {address: 203.0.113.5, stamp: true}, light: {address: 203.0.113.9}}
  resolvers: {names: 198.51.100.53}
  lookup: www.example.org
"""
)
SESSIONS = derive_sessions(HOME)
HARBOUR, RESOLVER = "harbour:stamp", "names:lookup"


def late(table, *texts, ticks=slice(200, 300), seed=5):
    """These sessions wait for beacons: unevenly, now a little and now for long."""
    rng = np.random.default_rng(seed)
    for text in texts:
        place = named(SESSIONS, text)
        wait = rng.uniform(0.05, 0.2, ticks.stop - ticks.start)
        table.q50_s[ticks, place] += wait
        table.q80_s[ticks, place] += wait + 0.06
    return table


def said(table):
    return [(v.cause, v.elements) for v in judge(HOME, SESSIONS, table)]


def test_two_that_doze_accuse_no_target_that_answers_a_third_at_once():
    assert said(late(quiet(HOME, 400), f"two>{HARBOUR}", f"three>{HARBOUR}")) == []


def test_three_that_doze_accuse_no_name_service_where_two_of_them_show_it():
    texts = [f"{who}>{RESOLVER}" for who in ("one", "two", "three")]
    assert said(late(quiet(HOME, 400), *texts, f"two>{HARBOUR}", f"three>{HARBOUR}")) == []


@pytest.mark.parametrize("ticks", [slice(200, 230), slice(200, 300)])
def test_a_target_that_is_late_for_all_three_is_told(ticks):
    texts = [f"{who}>{HARBOUR}" for who in ("one", "two", "three")]
    (verdict,) = said(late(quiet(HOME, 400), *texts, ticks=ticks))
    assert verdict == (Cause.DESTINATION, ("destination:harbour",))


@pytest.mark.parametrize("dozes", ["one", "two"])
def test_a_name_service_that_is_late_for_all_is_told_beside_one_that_dozes(dozes):
    table = late(quiet(HOME, 400), f"{dozes}>{HARBOUR}", seed=6)
    texts = [f"{who}>{RESOLVER}" for who in ("one", "two", "three")]
    (verdict,) = said(late(table, *texts))
    assert verdict == (Cause.NAME_SERVICE, ("resolver:names",))
