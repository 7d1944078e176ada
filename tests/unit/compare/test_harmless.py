"""What passes by itself, and what adds too little to be a fault, names nobody; its twin that is one is told.

How long roaming gaps and bursts of retries take (0.3 to 6 s) and how other stations' transfers delay (some
ms for minutes) are common practice, from memory.
"""

import numpy as np
import pytest

from support.homes import alder
from support.windows import disturb, quiet
from whichhop.compare.case import prepare
from whichhop.compare.history import judge
from whichhop.compare.inference.evidence import columns_of
from whichhop.compare.inference.rated_ticks import scan
from whichhop.compare.inference.settings import Settings
from whichhop.compare.inference.transients import passes_on, passing_on_log
from whichhop.compare.suspects.elements import elements_of
from whichhop.compare.verdict.episodes import Span
from whichhop.compare.verdict.least import adds_least
from whichhop.compare.verdict.verdict import FoundEpisode
from whichhop.model import Cause, derive_sessions

HOME = alder()
SESSIONS = derive_sessions(HOME)
ELEMENTS = elements_of(HOME, SESSIONS)
RADIO = "desk/attic"


def column(name):
    return sorted(next(e.column for e in ELEMENTS if e.name == name))


def losing(*shares):
    """The radio loses so many of ten packets, tick by tick."""
    table = quiet(HOME, 220)
    for tick, lost in shares:
        disturb(table, HOME, RADIO, slice(tick, tick + 1), lost=lost)
    return table


def slower(median_s, upper_s):
    """The radio is slower by so much for two and a half minutes, as others' transfers make it."""
    table = quiet(HOME, 220)
    table.q50_s[160:176, column(RADIO)] += median_s
    table.q80_s[160:176, column(RADIO)] += upper_s
    return table


@pytest.mark.parametrize(("one", "other"), [(3, 1), (2, 2), (1, 3)])
def test_two_bad_moments_of_a_radio_that_fall_on_edges_of_ticks_are_no_fault(one, other):
    assert judge(HOME, SESSIONS, losing((160, one), (161, other), (166, one), (167, other))) == []


@pytest.mark.parametrize(("one", "other"), [(3, 1), (2, 2), (1, 3)])
def test_the_same_loss_in_each_tick_of_a_minute_is_a_fault(one, other):
    ticks = [(160 + k, (one, other)[k % 2]) for k in range(6)]
    (verdict,) = judge(HOME, SESSIONS, losing(*ticks))
    assert (verdict.cause, verdict.elements) == (Cause.WIRELESS_HOP, (RADIO,))


@pytest.mark.parametrize("upper_s", [0.012, 0.015])
def test_others_transfers_that_add_eight_milliseconds_to_a_calm_radio_are_no_fault(upper_s):
    assert judge(HOME, SESSIONS, slower(0.0080, upper_s)) == []


@pytest.mark.parametrize("median_s", [0.012, 0.020])
def test_what_adds_more_than_the_least_is_a_fault(median_s):
    (verdict,) = judge(HOME, SESSIONS, slower(median_s, 1.5 * median_s))
    assert (verdict.cause, verdict.elements) == (Cause.WIRELESS_HOP, (RADIO,))


def told(name, table):
    """Whether the ticks 100 to 199 would be told as this element's episode, by what they add."""
    case = prepare(HOME, SESSIONS, table, (), Settings())
    done = scan(case.table, case.sessions, case.reporting, columns_of(ELEMENTS, len(SESSIONS)), case.settings)
    j = [e.name for e in ELEMENTS].index(name)
    span = Span(first=100, end=200, detected=102)
    found = FoundEpisode(members=(j,), shares=(1.0,), span=span, probability=1.0, lasting=False)
    return adds_least(done, ELEMENTS[j], found)


def scattered(name, share, seed=3):
    """So many of an element's packets are lost at random in a hundred ticks."""
    table = quiet(HOME, 220)
    rng = np.random.default_rng(seed)
    table.lost[100:200, column(name)] = rng.binomial(10, share, (100, len(column(name))))
    return table


@pytest.mark.parametrize("name", [RADIO, "attic/router", "node:attic"])
def test_one_packet_in_a_hundred_is_less_than_any_fault_of_the_home_loses(name):
    assert not told(name, scattered(name, 0.010))
    assert told(name, scattered(name, 0.030))


def test_a_passing_gap_within_a_light_loss_does_not_make_it_a_fault():
    table = scattered(RADIO, 0.010)
    table.lost[150, column(RADIO)] = 10
    assert not told(RADIO, table)


@pytest.mark.parametrize(("of", "late", "is_told"), [(10, 1, True), (50, 1, False)])
def test_a_tenth_of_late_packets_is_a_fault_and_a_fiftieth_is_none(of, late, is_told):
    # A radio that looks for others has up to 5 % of them for minutes, and is well (measured).
    table, place = quiet(HOME, 220), column(RADIO)
    table.slow[100 : 200 : of // 10, place] = late
    assert told(RADIO, table) is is_told


def test_a_line_is_told_by_its_own_guards_alone():
    assert told("modem/provider-edge", scattered("modem/provider-edge", 0.001))


def test_a_loss_may_have_gone_on_only_while_both_ticks_lose_no_more_than_a_gap_takes():
    share = np.array([[0.0], [0.25], [0.15], [0.0], [0.3], [0.2], [0.0]])
    never = np.zeros_like(share, dtype=bool)
    assert passes_on(share, share > 0, never, 10.0)[:, 0].tolist() == [False, False, True, *[False] * 4]
    assert not passes_on(share, share > 0, ~never, 10.0).any()


def test_what_goes_on_pays_for_one_beginning_and_one_edge():
    # By hand: 0.1 begins and a fifth of that goes on; tempered by nothing else.
    begins, there = np.log([1e-9, 0.1, 0.1]), np.log([1.0, 1.0, 1.0])
    may = np.array([False, False, True])
    out = passing_on_log(np.zeros(3), [(begins, there, may)])
    assert out[:2].tolist() == [0.0, 0.0]
    assert np.exp(out[2]) == pytest.approx(1.0 + 0.1 * 0.2)
