"""What users feel though no hop is slow: named where sizes, DSCPs and lookups show it, and not by chance."""

from collections.abc import Mapping

import numpy as np
import pytest
from msgspec.structs import replace

from whichhop.compare.windows.table import TICK_NS, WindowTable, empty_table
from whichhop.inside.felt import felt_of
from whichhop.lab.standard_home import alder_home
from whichhop.model import Method, Reading, Resolver, SessionKey
from whichhop.model.inner_cause import FeltCause

HOUR_NS = 3600 * 10**9
PEERS = ("harbour", "pier")
HOME = alder_home()
HOME = replace(HOME, peers=PEERS, nodes={**HOME.nodes, "pier": replace(HOME.nodes["harbour"], name="pier")})
AGENT, OTHER = (n.name for n in HOME.agents[:2])


def table(sessions: Mapping[SessionKey, tuple[float, float]], ticks: int = 360) -> WindowTable:
    """An hour of sessions of a steady median in seconds and share lost."""
    out = empty_table(list(sessions), 0, ticks)
    for i, (key, (median_s, lost)) in enumerate(sessions.items()):
        each = 4 if key.method is Method.LOOKUP else 10
        out.sent[:, i] = each
        out.lost[:, i] = np.diff(np.floor(np.arange(ticks + 1) * each * lost))
        out.q50_s[:, i] = median_s
    return out


def looks(name: str, values: Mapping[tuple[str, str], list[float]]) -> list[Reading]:
    return [
        Reading(at_ns=i * HOUR_NS, agent=agent, name=f"{name}:{other}", value=value)
        for (agent, other), told in values.items()
        for i, value in enumerate(told)
    ]


NO_TABLE = table({SessionKey(agent=AGENT, target=PEERS[0], method=Method.STAMP): (0.02, 0.0)})


def sizes(values: Mapping[tuple[str, str], list[float]], fits: float = 1492.0) -> list[Reading]:
    return looks("path_swallowed_bytes", values) + looks(
        "path_mtu_bytes", {pair: [fits] * len(told) for pair, told in values.items()}
    )


def test_sizes_that_vanish_on_every_way_are_a_black_hole_of_the_line() -> None:
    # PPPoE leaves 1,492 octets (RFC 2516 section 7); a router that says nothing is RFC 2923's black hole.
    (found,) = felt_of(HOME, sizes({(AGENT, p): [1500.0, 1500.0] for p in PEERS}), NO_TABLE)
    assert found.cause is FeltCause.BLACK_HOLE
    assert found.where == "The way to the internet"
    assert found.probability >= 0.9
    # TCP's MSS is the MTU less 40 octets in IPv4, less 60 in IPv6 (RFC 9293, RFC 8200).
    assert "1492" in found.steps[0]
    assert "1452" in found.steps[0]
    assert "1432" in found.steps[0]


def test_one_peer_of_two_accuses_its_own_way_and_a_peer_alone_is_never_surely_the_line() -> None:
    (found,) = felt_of(HOME, sizes({(AGENT, PEERS[0]): [1500.0, 1500.0], (AGENT, PEERS[1]): [0.0]}), NO_TABLE)
    assert found.where == f"The way to {PEERS[0]} alone"
    (alone,) = felt_of(HOME, sizes({(AGENT, PEERS[0]): [1500.0] * 5}), NO_TABLE)
    assert alone.probability <= 0.7
    assert "second peer" in alone.steps[0]


@pytest.mark.parametrize("told", [[0.0], [1500.0, 0.0], []])
def test_sizes_that_pass_now_or_were_told_are_no_black_hole(told: list[float]) -> None:
    assert felt_of(HOME, sizes({(AGENT, p): told for p in PEERS}), NO_TABLE) == ()


def test_on_a_way_that_loses_half_of_all_three_in_a_row_prove_nothing() -> None:
    lossy = table({SessionKey(agent=AGENT, target=p, method=Method.STAMP): (0.02, 0.5) for p in PEERS})
    assert felt_of(HOME, sizes({(AGENT, p): [1500.0] for p in PEERS}), lossy) == ()


def test_a_dscp_cleared_between_two_agents_is_the_homes_and_one_beyond_asks_for_nothing() -> None:
    (home,) = felt_of(HOME, looks("dscp_kept", {(AGENT, OTHER): [0.0]}), NO_TABLE)
    assert home.cause is FeltCause.DSCP_CLEARED
    assert "WMM" in home.steps[0]
    (line,) = felt_of(HOME, looks("dscp_kept", {(AGENT, PEERS[0]): [0.0], (AGENT, OTHER): [1.0]}), NO_TABLE)
    assert line.steps == ()
    assert "leave it" in line.feels
    assert felt_of(HOME, looks("dscp_kept", {(AGENT, OTHER): [1.0]}), NO_TABLE) == ()


def names(median_s: float, lost: float, *, packets_lost: float = 0.0) -> list[FeltCause]:
    two = tuple(Resolver(name=n, address="192.0.2.53", place=PEERS[0]) for n in ("slow", "quick"))
    home = replace(HOME, resolvers=two)
    way = SessionKey(agent=AGENT, target=PEERS[0], method=Method.STAMP)
    asked = {
        SessionKey(agent=AGENT, target="slow", method=Method.LOOKUP): (median_s, lost),
        SessionKey(agent=AGENT, target="quick", method=Method.LOOKUP): (0.015, 0.0),
        way: (0.012, packets_lost),
    }
    found = felt_of(home, [], table(asked))
    assert all("quick" in f.steps[0] for f in found)
    return [f.cause for f in found]


def reached(to_ms: tuple[float, float], from_ms: tuple[float, float]) -> list[str]:
    """What is felt where desk, on Wi-Fi, and two other agents ask each other, at these medians."""
    both = {
        SessionKey(agent=a, target=b, method=Method.STAMP): (ms / 1e3, 0.0)
        for other, to, fro in zip(("study", "router"), to_ms, from_ms, strict=True)
        for a, b, ms in ((other, "desk", to), ("desk", other, fro))
    }
    return [f.line for f in felt_of(HOME, [], table(both))]


def test_a_radio_that_sleeps_is_reached_late_and_asks_at_once() -> None:
    # Seen in whole homes with power save: no hop is slow, since what the device asks for comes at once.
    # A beacon each 102.4 ms (IEEE 802.11): half of those who wait for one wait 51 ms.
    (line,) = reached((55.0, 54.0), (4.0, 3.0))
    assert line.startswith("Wi-Fi of desk: its radio sleeps between packets")
    assert len(reached((55.0, 3.1), (4.0, 3.0))) == 1, "who asks just behind another finds it awake"
    assert reached((55.0, 54.0), (54.0, 55.0)) == [], "a hop that is slow both ways is no radio asleep"
    assert reached((8.0, 7.0), (4.0, 3.0)) == [], "a busy machine answers some ms later"
    assert reached((900.0, 800.0), (4.0, 3.0)) == [], "no beacon is so far away"


def test_a_resolver_that_is_slow_all_the_time_is_named_beside_a_quick_one() -> None:
    assert names(0.24, 0.0) == [FeltCause.SLOW_NAMES]
    assert names(0.03, 0.0) == []


def test_questions_without_answer_count_only_where_packets_arrive() -> None:
    assert names(0.02, 0.08) == [FeltCause.LOST_NAMES]
    assert names(0.02, 0.08, packets_lost=0.08) == []
    assert TICK_NS == 10 * 10**9
