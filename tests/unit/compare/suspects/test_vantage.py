import subprocess
import sys

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from support.homes import alder, home_of
from whichhop.compare.suspects.vantage import rank_of, separation
from whichhop.model import derive_sessions


@given(st.lists(st.lists(st.integers(0, 1), min_size=5, max_size=5), max_size=9))
def test_rank_agrees_with_numpy(rows):
    wanted = int(np.linalg.matrix_rank(np.array(rows))) if rows else 0
    assert rank_of(rows) == wanted


def test_rank_of_a_hand_worked_matrix():
    # Rows 1 and 2 sum to row 3: rank 2, by hand.
    assert rank_of([[1, 0, 1], [0, 1, 1], [1, 1, 2]]) == 2


def test_a_modem_without_an_address_joins_its_cable_and_the_line_in_one_group():
    home = alder()
    found = separation(home, derive_sessions(home))
    assert found.groups == (("router/modem", "modem/provider-edge"),)
    # Six links with the one past the provider; two have equal columns, so rank is one less.
    assert (found.links, found.rank) == (6, 5)
    assert found.advice[0].effort == 1
    assert "modem" in found.advice[0].words
    assert found.advice[0].splits == found.groups


def test_a_probed_modem_leaves_nothing_to_split():
    home = alder("{kind: modem}", "{kind: modem, address: 192.0.2.254}")
    found = separation(home, derive_sessions(home))
    assert found.groups == ()
    assert found.rank == found.links == 6
    assert found.advice == ()


def test_without_targets_upstream_the_line_is_unseen_and_the_remedy_is_named():
    home = alder(
        "  provider-edge: 198.51.100.1\n  peers: {harbour: {address: 203.0.113.7, stamp: true}}",
        "  downloads: []",
    )
    found = separation(home, derive_sessions(home))
    assert set(found.unseen) >= {"modem/provider-edge"}
    assert any("modem/provider-edge" in a.sees for a in found.advice)


def test_one_agent_alone_is_told_where_a_second_one_helps():
    home = home_of(
        """\
home: Small
nodes:
  router: {kind: router, address: 192.0.2.1}
  attic:  {kind: mesh-node}
  desk:   {kind: host, address: 192.0.2.20, agent: true}
links:
  - {join: [desk, attic], kind: wireless}
  - {join: [attic, router], kind: backhaul, medium: radio}
  - {join: [router, provider-edge], kind: access, medium: fibre}
"""
    )
    found = separation(home, derive_sessions(home))
    assert ("desk/attic", "attic/router") in found.groups
    assert any("attic" in a.words for a in found.advice)


def test_no_agent_is_asked_of_a_switch_or_a_modem():
    home = home_of(
        """\
home: Small
nodes:
  modem: {kind: modem}
  router: {kind: router, address: 192.0.2.1}
  rack: {kind: switch}
  desk: {kind: host, address: 192.0.2.20, agent: true}
links:
  - {join: [desk, rack], kind: wired}
  - {join: [rack, router], kind: wired}
  - {join: [router, modem], kind: wired}
  - {join: [modem, provider-edge], kind: access, medium: cable}
"""
    )
    found = separation(home, derive_sessions(home))
    assert ("desk/rack", "rack/router") in found.groups
    words = [a.words for a in found.advice]
    assert "give the address of rack, so that it can be probed" in words
    assert not any(w.startswith(("run an agent on rack", "run an agent on modem")) for w in words)


def test_separability_needs_no_numpy():
    code = (
        "import sys; sys.modules['numpy'] = None; sys.modules['scipy'] = None; "
        "import whichhop.compare.suspects.vantage"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, check=False)
    assert done.returncode == 0, done.stderr
