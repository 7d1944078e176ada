"""What lets nothing through from the first packet on is named; who just answers nobody is not."""

import numpy as np
import pytest
from msgspec.structs import replace

from support.homes import alder
from support.windows import START_NS, disturb, quiet
from whichhop.compare.history import judge
from whichhop.compare.inference.settings import Settings
from whichhop.compare.live import Follower
from whichhop.compare.standing.outage import outages
from whichhop.compare.standing.seen import Period
from whichhop.compare.standing.verdicts import StandingVerdicts
from whichhop.compare.suspects.elements import elements_of
from whichhop.compare.windows.reporting import first_answers, mute_boxes
from whichhop.compare.windows.table import WindowTable
from whichhop.compare.words import explain
from whichhop.model import Cause, Home, Verdict, derive_sessions
from whichhop.model.units import NS_PER_S

HOME = alder(
    "address: 203.0.113.7, stamp: true}", "address: 203.0.113.7, stamp: true}, quay: {address: 203.0.113.9}"
)
LINE = "modem/provider-edge"
MINUTES_2 = 12


def silenced(home: Home, *targets: str, ticks: int = MINUTES_2) -> WindowTable:
    """A quiet home of which some targets never answer."""
    table = quiet(home, ticks)
    for i, session in enumerate(derive_sessions(home)):
        if session.key.target in targets:
            table.lost[:, i] = table.sent[:, i]
            table.q50_s[:, i] = table.q80_s[:, i] = np.nan
    return table


def told(home: Home, table: WindowTable) -> list[Verdict]:
    return judge(home, derive_sessions(home), table)


@pytest.mark.parametrize(
    ("element", "cause"),
    [
        ("desk/attic", Cause.WIRELESS_HOP),
        ("attic/router", Cause.BACKHAUL),
        ("study/router", Cause.WIRED_LAN),
        (LINE, Cause.NOT_SEPARABLE),
    ],
)
def test_a_hop_that_was_dead_when_measuring_began_is_named_within_two_minutes(
    element: str, cause: Cause
) -> None:
    table = disturb(quiet(HOME, MINUTES_2), HOME, element, slice(None), lost=10)
    (verdict,) = told(HOME, table)
    assert element in verdict.elements
    assert verdict.cause is cause
    assert verdict.standing
    assert verdict.start_ns == START_NS
    assert verdict.end_ns is None
    assert verdict.probability > 0.85
    assert verdict.severity is not None
    assert verdict.severity.loss_ratio == 1.0
    assert "It was there before measuring began, so since when is not known." in explain(verdict)


@pytest.mark.parametrize("element", ["desk/attic", LINE])
def test_what_lets_a_packet_in_twenty_through_is_named_within_three_minutes(element: str) -> None:
    """Too few answers for a median in any window, and yet no silence."""
    table = disturb(quiet(HOME, 18), HOME, element, slice(None), lost=10)
    table.lost[::2][table.lost[::2] == 10] = 9
    named = {name for v in told(HOME, table) for name in v.elements}
    assert element in named


def test_a_line_that_never_let_anything_through_is_never_proven() -> None:
    """Past it nothing has answered yet: it may be a filter of test packets (no source; caution)."""
    (verdict,) = told(HOME, disturb(quiet(HOME, 60), HOME, LINE, slice(None), lost=10))
    assert not verdict.proven
    assert any("an answer past it" in why for why in verdict.missing)


@pytest.mark.parametrize(
    "targets", [("provider-edge",), ("harbour",), ("provider-edge", "quay"), ("router",), ("attic",)]
)
def test_targets_that_answer_nobody_are_no_outage(targets: tuple[str, ...]) -> None:
    assert told(HOME, silenced(HOME, *targets, ticks=30)) == []


def test_a_device_that_is_switched_off_is_no_outage() -> None:
    table = silenced(HOME, "desk", ticks=30)
    here = table.picked([key for key in table.sessions if key.agent != "desk"])
    assert told(HOME, here) == []


def test_a_dead_line_behind_a_modem_that_is_asked_may_be_the_cable_to_it() -> None:
    """Modems often answer nobody from inside (common practice), so that both are named, and neither alone."""
    modem = replace(HOME.nodes["modem"], address="192.0.2.254")
    home = replace(HOME, nodes={**HOME.nodes, "modem": modem})
    (verdict,) = told(home, disturb(quiet(home, MINUTES_2), home, "router/modem", slice(None), lost=10))
    assert {"router/modem", LINE} <= set(verdict.elements)
    assert verdict.cause is Cause.NOT_SEPARABLE


def test_one_answer_ends_it() -> None:
    table = disturb(quiet(HOME, 60), HOME, LINE, slice(0, 40), lost=10)
    verdict = told(HOME, table)[0]
    assert LINE in verdict.elements
    assert verdict.end_ns == table.at_ns(40)
    assert "It was there before measuring began, and is over." in explain(verdict)


ONE_TARGET = alder()
"""Past the line only a first hop and one target are asked."""


@pytest.mark.parametrize("hop", [LINE, "beyond"])
def test_what_two_targets_cannot_tell_while_it_lasts_is_told_once_they_answer(hop: str) -> None:
    dead = disturb(quiet(ONE_TARGET, 60), ONE_TARGET, hop, slice(0, 40), lost=10)
    assert told(ONE_TARGET, dead.span(0, 40)) == []
    (verdict,) = [v for v in told(ONE_TARGET, dead) if v.standing]
    assert hop in verdict.elements
    assert (verdict.start_ns, verdict.end_ns) == (START_NS, dead.at_ns(40))
    assert not verdict.proven
    assert verdict.probability > 0.85


def test_who_follows_hears_of_it_once_they_answer() -> None:
    dead = disturb(quiet(ONE_TARGET, 60), ONE_TARGET, LINE, slice(0, 40), lost=10)
    live = Follower(ONE_TARGET, derive_sessions(ONE_TARGET), start_ns=START_NS)
    said = [live.feed(dead.span(tick, tick + 1)) for tick in range(dead.ticks)]
    assert not any(said[:40])
    assert [v.end_ns for v in said[43]] == [dead.at_ns(40)]


@pytest.mark.parametrize("name", ["attic", "desk", "study"])
def test_an_agent_that_is_started_later_was_no_outage(name: str) -> None:
    """It neither answers nor asks until it runs, and no hop to it was ever at fault."""
    table = silenced(HOME, name, ticks=60)
    later = quiet(HOME, 60)
    for i, session in enumerate(derive_sessions(HOME)):
        for field in ("sent", "lost", "q50_s", "q80_s"):
            getattr(table, field)[30:, i] = getattr(later, field)[30:, i]
        if session.key.agent == name:
            table.sent[:30, i] = table.lost[:30, i] = 0
            table.q50_s[:30, i] = table.q80_s[:30, i] = np.nan
    assert told(HOME, table) == []


def test_a_minute_without_answers_at_the_start_is_the_machines_own_beginning() -> None:
    assert told(HOME, disturb(quiet(HOME, 60), HOME, LINE, slice(0, 4), lost=10)) == []


def test_what_dies_later_is_a_change() -> None:
    verdicts = told(HOME, disturb(quiet(HOME, 90), HOME, "attic/router", slice(60, None), lost=10))
    assert [(v.standing, v.start_ns) for v in verdicts] == [(False, START_NS + 600 * NS_PER_S)]


def test_homes_whose_targets_are_drawn_silent_are_not_blamed() -> None:
    """How often a modem, a first hop and others answer nobody is common practice, not a published figure."""
    rng = np.random.default_rng(5)
    often = {"modem": 0.4, "provider-edge": 0.3, "harbour": 0.06, "quay": 0.06}
    modem = replace(HOME.nodes["modem"], address="192.0.2.254")
    home = replace(HOME, nodes={**HOME.nodes, "modem": modem})
    sessions = derive_sessions(home)
    elements = elements_of(home, sessions)
    blamed = 0
    for _ in range(200):
        mute = [n for n in home.nodes if rng.random() < often.get(n, 0.06)]
        table = silenced(home, *mute, ticks=8)
        speaks = ~mute_boxes(first_answers(table), range(8), sessions)
        period = Period(table=table, speaks=speaks, use=np.full(8, np.nan))
        blamed += bool(list(outages(home, sessions, elements, period)))
    assert blamed <= 2


def test_who_follows_hears_of_it_after_a_minute_and_of_its_end() -> None:
    table = disturb(quiet(HOME, 60), HOME, LINE, slice(0, 40), lost=10)
    live = Follower(HOME, derive_sessions(HOME), start_ns=START_NS)
    said = [live.feed(table.span(tick, tick + 1)) for tick in range(table.ticks)]
    assert [bool(v) for v in said[:7]] == [False] * 5 + [True] * 2
    assert said[39][0].end_ns is None
    assert said[41][0].end_ns == table.at_ns(40)


def test_an_outage_that_outlasts_what_is_kept_still_began_with_measuring() -> None:
    table = disturb(quiet(HOME, 60), HOME, LINE, slice(0, 40), lost=10)
    sessions = derive_sessions(HOME)
    teller = StandingVerdicts(
        home=HOME, sessions=tuple(sessions), elements=elements_of(HOME, sessions), settings=Settings()
    )

    def told_in(part: WindowTable) -> Verdict:
        period = Period(table=part, speaks=part.sent > 0, use=np.full(part.ticks, np.nan))
        (verdict,) = teller.verdicts(period)
        return verdict

    assert told_in(table.span(0, 30)).end_ns is None
    teller.moved(20)
    over = told_in(table.span(20, 60))
    assert (over.start_ns, over.end_ns) == (START_NS, table.at_ns(40))
