import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from statsmodels.stats.proportion import proportions_ztest

from support.homes import alder
from support.windows import disturb, named, quiet
from whichhop.compare.case import prepare
from whichhop.compare.inference.evidence import columns_of
from whichhop.compare.inference.rated_ticks import scan
from whichhop.compare.inference.settings import Settings
from whichhop.compare.suspects.elements import elements_of
from whichhop.compare.verdict.corroboration import adds, borne, by_themselves, shown_by, two_proportions_z
from whichhop.compare.verdict.episodes import Span
from whichhop.compare.verdict.verdict import FoundEpisode
from whichhop.model import derive_sessions

HOME = alder()
SESSIONS = derive_sessions(HOME)
ELEMENTS = elements_of(HOME, SESSIONS)
SPAN = Span(first=30, end=50, detected=33)


def scanned(table):
    case = prepare(HOME, SESSIONS, table, (), Settings())
    columns = columns_of(case.elements, len(case.sessions))
    return case, scan(case.table, case.sessions, case.reporting, columns, case.settings)


def element(case, name):
    return next(e for e in case.elements if e.name == name)


def column(case, name):
    return sorted(element(case, name).column)


def test_a_box_that_limits_its_answers_may_single_out_one_asker():
    table = quiet(HOME, 60)
    place = named(SESSIONS, "study>provider-edge:echo")
    table.lost[30:50, place] = 10
    table.q50_s[30:50, place] = np.nan
    case, done = scanned(table)
    assert borne(done, element(case, "reply:provider-edge"), SPAN)
    assert not borne(done, element(case, "modem/provider-edge"), SPAN)


@given(st.integers(1, 500), st.integers(1, 500), st.data())
def test_the_statistic_of_two_proportions_is_that_of_statsmodels(sent, other, data):
    lost, also = data.draw(st.integers(0, sent)), data.draw(st.integers(0, other))
    assume(0 < lost + also < sent + other)
    expected, _ = proportions_ztest([lost, also], [sent, other])
    assert two_proportions_z(lost, sent, also, other) == pytest.approx(expected, abs=1e-9)


def test_an_inner_suspect_adds_when_it_fares_worse_than_the_rest_and_not_when_it_fares_alike():
    table = disturb(quiet(HOME, 60), HOME, "attic/router", slice(30, 50), delay_s=0.05)
    case, done = scanned(table)
    inner, outer = element(case, "desk/attic").column, element(case, "node:attic").column
    shared = frozenset(element(case, "attic/router").column)
    assert not adds(done, inner & shared, shared - inner, SPAN)
    case, done = scanned(disturb(table, HOME, "desk/attic", slice(30, 50), delay_s=0.05))
    assert adds(done, inner & shared, shared - inner, SPAN)
    assert inner <= outer


def test_an_agent_that_dozes_makes_no_inner_suspect_of_what_it_finds_late():
    table = disturb(quiet(HOME, 60), HOME, "modem/provider-edge", slice(30, 50), delay_s=0.03)
    table.q50_s[30:50, named(SESSIONS, "desk>harbour:stamp")] += 0.1
    inner, rest = (
        frozenset(named(SESSIONS, f"{agent}>{target}") for agent in ("desk", "study"))
        for target in ("harbour:stamp", "provider-edge:echo")
    )
    assert not adds(scanned(table)[1], inner, rest, SPAN)
    table.q50_s[30:50, named(SESSIONS, "study>harbour:stamp")] += 0.1
    assert adds(scanned(table)[1], inner, rest, SPAN)


def asking_seldom(table):
    """Desk and attic ask each five seconds: two packets a tick, of which there is no median."""
    for i, session in enumerate(SESSIONS):
        if session.key.agent in ("desk", "attic"):
            table.sent[:, i], table.lost[:, i] = 2, np.minimum(table.lost[:, i], 2)
            table.q50_s[:, i] = table.q80_s[:, i] = np.nan
    return table


def test_who_asks_too_seldom_for_a_median_is_no_witness_that_nothing_is_late():
    slow = disturb(quiet(HOME, 60), HOME, "modem/provider-edge", slice(30, 50), delay_s=0.05)
    case, done = scanned(asking_seldom(slow))
    assert borne(done, element(case, "modem/provider-edge"), SPAN)
    # Of loss each packet tells: who loses none while the others do is a witness all the same.
    table = asking_seldom(quiet(HOME, 60))
    table.lost[30:50, named(SESSIONS, "study>provider-edge:echo")] = 4
    case, done = scanned(table)
    assert not borne(done, element(case, "modem/provider-edge"), SPAN)


def test_what_half_of_the_sessions_never_show_is_not_borne():
    table = quiet(HOME, 60)
    column = sorted(next(e.column for e in ELEMENTS if e.name == "attic/router"))
    assert len(column) >= 4
    table.lost[30:50, column[: len(column) // 2]] = 6
    case, done = scanned(table)
    assert not borne(done, element(case, "attic/router"), SPAN)


def test_what_all_sessions_show_is_borne():
    case, done = scanned(disturb(quiet(HOME, 60), HOME, "attic/router", slice(30, 50), delay_s=0.05))
    assert borne(done, element(case, "attic/router"), SPAN)


def test_what_one_session_shows_alone_is_not():
    table = quiet(HOME, 60)
    table.q80_s[30:50, named(SESSIONS, "desk>harbour:stamp")] += 0.12
    case, done = scanned(table)
    assert not borne(done, element(case, "destination:harbour"), SPAN)


def test_a_second_suspect_needs_sessions_of_its_own_that_show_it():
    case, done = scanned(disturb(quiet(HOME, 60), HOME, "attic/router", slice(30, 50), delay_s=0.05))
    only = sorted(set(column(case, "node:attic")) - set(column(case, "attic/router")))
    assert not shown_by(done, only, SPAN)
    assert shown_by(done, column(case, "attic/router")[:2], SPAN)


def test_a_light_loss_of_all_is_borne_though_no_session_says_much_by_itself():
    # A tenth lost, drawn once in the emulated home: 42 of 420 packets, one session unlucky.
    lost = [
        [1, 1, 0, 2, 2, 2],
        [0, 2, 2, 0, 1, 1],
        [0, 3, 2, 1, 4, 0],
        [2, 5, 1, 2, 0, 1],
        [1, 1, 3, 7, 0, 2],
    ]
    table = quiet(HOME, 60)
    columns = column(scanned(table)[0], "destination:harbour")
    for i, place in enumerate(columns):
        table.lost[30:36, place] = lost[i % len(lost)]
    case, done = scanned(table)
    assert borne(done, element(case, "destination:harbour"), Span(first=30, end=36, detected=33))


@pytest.mark.parametrize(("gain", "stays"), [(5.0, False), (40.0, True)])
def test_what_explains_its_time_far_better_than_all_that_goes_without_it_needs_no_other_proof(gain, stays):
    """The radio behind a slow backhaul adds nothing that medians show; each tick may."""
    table = disturb(quiet(HOME, 60), HOME, "attic/router", slice(30, 50), delay_s=0.05)
    case, done = scanned(table)
    backhaul, radio = (
        FoundEpisode(
            members=(case.elements.index(element(case, name)),),
            shares=(1.0,),
            span=SPAN,
            probability=0.99,
            lasting=False,
            gain=worth,
        )
        for name, worth in (("attic/router", 100.0), ("desk/attic", gain))
    )
    found = by_themselves(done, case.elements, [backhaul, radio])
    assert found == ([backhaul, radio] if stays else [backhaul])


@pytest.mark.parametrize(("share", "shows"), [(0.05, True), (0.004, False)])
def test_a_second_suspect_is_shown_by_a_light_loss_that_only_all_its_sessions_together_tell(share, shows):
    """Of the packets one in twenty lost, at random; its healthy twin loses what a good network does."""
    table = quiet(HOME, 60)
    columns = column(scanned(table)[0], "modem/provider-edge")
    rng = np.random.default_rng(5)
    table.lost[30:50, columns] = rng.binomial(10, share, (20, len(columns)))
    _, done = scanned(table)
    assert shown_by(done, columns, SPAN) is shows


def test_a_second_suspect_is_not_shown_by_one_session_of_many_that_loses_a_little():
    table = quiet(HOME, 60)
    columns = column(scanned(table)[0], "modem/provider-edge")
    table.lost[30:50, columns[0]] = np.random.default_rng(5).binomial(10, 0.08, 20)
    _, done = scanned(table)
    assert not shown_by(done, columns, SPAN)


def test_who_is_never_answered_says_nothing_against_what_others_show():
    """A guest network keeps its devices apart: what they ask each other is lost from the first packet on."""
    table = disturb(quiet(HOME, 60), HOME, "attic/router", slice(30, 50), delay_s=0.05)
    column = sorted(next(e.column for e in ELEMENTS if e.name == "attic/router"))
    kept_apart = column[2:]
    assert len(kept_apart) >= 2
    table.lost[:, kept_apart] = table.sent[:, kept_apart]
    table.q50_s[:, kept_apart] = table.q80_s[:, kept_apart] = np.nan
    # The two that are answered lose a little too, so that losses are asked about.
    table.lost[30:50, column[:2]] = 1
    case, done = scanned(table)
    assert borne(done, element(case, "attic/router"), SPAN)
