"""What went before an episode and unmakes a proof."""

import numpy as np
import pytest

from support.homes import alder
from support.windows import disturb, full_line, quiet
from whichhop.compare.history import judge
from whichhop.compare.verdict.before import down
from whichhop.model import Cause, derive_sessions

HOME = alder("{kind: modem}", "{kind: modem, address: 192.0.2.254}")
SESSIONS = derive_sessions(HOME)
LINE, BEYOND = "modem/provider-edge", "beyond"
TWO = alder("peers: {", "peers: {north: {address: 203.0.113.5}, ")


def line_verdicts(table, cause=Cause.UPSTREAM_LINK, home=HOME):
    found = judge(home, derive_sessions(home), table, full_line(table.ticks + 2, 0, 0))
    return [v for v in found if v.cause is cause]


def test_what_a_line_loses_while_a_modem_begins_anew_proves_nothing():
    table = disturb(quiet(HOME, 400), HOME, "router/modem", slice(300, 306), lost=10)
    found = line_verdicts(disturb(table, HOME, LINE, slice(300, 312), lost=10))
    assert found
    assert not any(v.proven for v in found)
    assert "a time when modem had not just been down itself" in found[-1].missing


@pytest.mark.parametrize("late", [4, 12])
def test_a_line_that_comes_back_later_than_its_router_is_not_named_alone(late):
    # What was switched on again finds its line within some three minutes (common practice).
    table = disturb(quiet(HOME, 400), HOME, "node:router", slice(300, 306), lost=10)
    disturb(table, HOME, LINE, slice(300, 306 + late), lost=10)
    assert line_verdicts(table) == []
    (found,) = (v for v in line_verdicts(table, Cause.NOT_SEPARABLE) if LINE in v.elements)
    assert found.elements[0] == "node:router"
    assert not found.proven
    assert "a time when router had not just been down itself" in found.missing


def test_a_line_that_is_out_long_after_its_router_came_back_or_was_before_is_named_alone():
    for line, router in ((slice(300, 340), slice(300, 306)), (slice(300, 330), slice(310, 316))):
        table = disturb(quiet(HOME, 400), HOME, "node:router", router, lost=10)
        found = line_verdicts(disturb(table, HOME, LINE, line, lost=10))
        assert [(v.elements, v.proven) for v in found] == [((LINE,), False)]


def test_what_lets_packets_through_while_a_router_is_out_of_reach_is_no_line_that_comes_back_late():
    table = disturb(quiet(HOME, 400), HOME, "node:router", slice(300, 306), lost=10)
    disturb(table, HOME, LINE, slice(300, 318), delay_s=0.06)
    found = [v.elements for v in judge(HOME, SESSIONS, table) if LINE in v.elements]
    assert found
    assert not any("node:router" in elements for elements in found)


def test_an_outage_of_the_line_while_all_boxes_answer_is_proven():
    found = line_verdicts(disturb(quiet(HOME, 400), HOME, LINE, slice(300, 312), lost=10))
    assert [v.proven for v in found] == [True]


def test_a_box_that_began_anew_long_before_unmakes_no_proof():
    table = disturb(quiet(HOME, 400), HOME, "node:router", slice(250, 256), lost=10)
    disturb(table, HOME, LINE, slice(300, 312), lost=10)
    assert [v.proven for v in line_verdicts(table)] == [True]


@pytest.mark.parametrize("better_ticks", [18, 40, 60])
def test_a_way_that_was_shorter_for_some_minutes_proves_nothing_when_it_is_long_again(better_ticks):
    table = quiet(TWO, 400)
    for ticks in (slice(0, 240), slice(240 + better_ticks, 400)):
        disturb(table, TWO, BEYOND, ticks, delay_s=0.022)
    assert not any(v.proven for v in line_verdicts(table, Cause.BEYOND, TWO))


def test_a_way_that_becomes_longer_than_it_ever_was_is_proven():
    table = disturb(quiet(TWO, 400), TWO, BEYOND, slice(300, 340), delay_s=0.022)
    found = line_verdicts(table, Cause.BEYOND, TWO)
    assert [v.proven for v in found] == [True]


def test_a_fault_that_comes_again_is_proven_each_time():
    # What was told already is no level that the home had before.
    table = quiet(HOME, 400)
    for ticks in (slice(100, 240), slice(280, 320)):
        disturb(table, HOME, LINE, ticks, delay_s=0.06)
    found = line_verdicts(table)
    assert len(found) >= 2
    assert all(v.proven for v in found)


def test_a_box_is_down_where_it_answers_nobody_of_those_who_ask():
    table = quiet(HOME, 20)
    assert not down(HOME, SESSIONS, table, "router").any()
    disturb(table, HOME, "node:router", slice(5, 8), lost=10)
    assert np.flatnonzero(down(HOME, SESSIONS, table, "router")).tolist() == [5, 6, 7]
    # One asker who is answered is enough.
    some = quiet(HOME, 20)
    place = next(i for i, s in enumerate(SESSIONS) if s.key.target == "router")
    some.lost[5:8, place] = 10
    assert not down(HOME, SESSIONS, some, "router").any()
