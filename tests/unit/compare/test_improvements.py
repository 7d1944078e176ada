"""What gets better is no fault, and what was bad from the start is none when it heals."""

import pytest

from support.homes import alder
from support.windows import disturb, full_line, quiet
from whichhop.compare.history import judge
from whichhop.compare.live import Follower
from whichhop.model import Cause, derive_sessions

HOME = alder("{kind: modem}", "{kind: modem, address: 192.0.2.254}")
SESSIONS = derive_sessions(HOME)
LINKS = ["desk/attic", "attic/router", "study/router", "modem/provider-edge", "beyond"]


def slow(element, *spans, ticks=600, delay_s=0.040, lost=0):
    table = quiet(HOME, ticks)
    for first, end in spans:
        disturb(table, HOME, element, slice(first, end), delay_s=delay_s, lost=lost)
    return table


@pytest.mark.parametrize("element", LINKS)
@pytest.mark.parametrize("delay_s", [0.016, 0.060])
def test_a_hop_that_becomes_faster_for_good_is_no_fault(element, delay_s):
    assert judge(HOME, SESSIONS, slow(element, (0, 200), delay_s=delay_s)) == []


def test_a_line_that_is_faster_for_three_minutes_is_no_fault_before_during_or_after():
    assert judge(HOME, SESSIONS, slow("modem/provider-edge", (0, 200), (218, 600), delay_s=0.016)) == []


@pytest.mark.parametrize("element", LINKS)
@pytest.mark.parametrize("minutes", [5, 40, 120])
def test_a_fault_that_was_there_at_the_start_is_none_when_it_heals(element, minutes):
    assert judge(HOME, SESSIONS, slow(element, (0, 6 * minutes), ticks=6 * minutes + 300)) == []


def test_loss_from_the_start_is_a_fault_until_it_ends_and_none_after():
    # No home loses a fifth of its packets in health, so this needs no past of its own.
    table = slow("attic/router", (0, 120), delay_s=0.0, lost=2)
    (verdict,) = judge(HOME, SESSIONS, table)
    assert verdict.cause is Cause.BACKHAUL
    assert verdict.end_ns is not None
    assert verdict.end_ns <= table.at_ns(121)


def test_an_upload_from_the_first_second_that_stops_accuses_nobody():
    table = slow("modem/provider-edge", (0, 120), ticks=400, delay_s=0.120)
    found = judge(HOME, SESSIONS, table, full_line(402, 0, 120))
    assert [(v.cause, v.end_ns is None) for v in found] == [(Cause.OWN_TRAFFIC, False)]


def test_what_healed_is_the_new_normal_at_once():
    # Twenty minutes bad, then ten good, then a smaller fault than the first.
    table = slow("attic/router", (0, 120))
    disturb(table, HOME, "attic/router", slice(180, 210), delay_s=0.025)
    (verdict,) = judge(HOME, SESSIONS, table)
    assert verdict.cause is Cause.BACKHAUL
    assert verdict.start_ns == table.at_ns(180)
    assert verdict.end_ns == table.at_ns(210)


@pytest.mark.parametrize("by", [1, 7, 250])
def test_live_use_adopts_the_better_level_as_history_does(by):
    table = slow("attic/router", (0, 120), ticks=250)
    disturb(table, HOME, "attic/router", slice(180, 210), delay_s=0.025)
    follower = Follower(HOME, SESSIONS, start_ns=table.start_ns)
    for first in range(0, table.ticks, by):
        last = follower.feed(table.span(first, min(first + by, table.ticks)))
    assert [(v.cause, v.start_ns) for v in last] == [(Cause.BACKHAUL, table.at_ns(180))]
