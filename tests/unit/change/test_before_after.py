"""The whole comparison of a home before and after a change."""

from datetime import UTC

import numpy as np
import pytest
from msgspec.structs import replace

from support.homes import alder
from whichhop.change.before_after import BeforeAfter, Spans, before_after, segments_of, spans_of
from whichhop.change.effect import ChangeAnswer
from whichhop.change.hours import HOUR_NS, HourFigures, HourTable
from whichhop.model import Method, Reading, Session, SessionKey, call_sessions, derive_sessions
from whichhop.model.note import Note

HOME = alder()
CHANGE = 24 * 20_521  # a Monday, whole days since the epoch: 2026-03-09
SPANS = Spans(before=range(CHANGE - 96, CHANGE), after=range(CHANGE + 1, CHANGE + 73))


def session_hours(
    session: Session, rng: np.random.Generator, *, added_s: dict[str, float], loss: dict[str, float]
) -> HourTable:
    """Hours of a session whose links each take 2 ms; until the change some take longer or lose packets."""
    hours = {}
    for hour in [*SPANS.before, *SPANS.after]:
        old = hour < CHANGE
        names = [link.name for link in session.path.links]
        delay = sum(0.002 + (added_s.get(n, 0.0) if old else 0.0) for n in names) + rng.normal(0, 1e-4)
        kept = np.prod([1 - (loss.get(n, 0.0) if old else 0.0) for n in names])
        hours[hour] = HourFigures(
            sent=3600,
            lost=int(rng.binomial(3600, 1 - kept)),
            p50_s=delay,
            p95_s=delay * 1.5,
            pdv_s=delay * 0.5,
            rating=80.0 if session.key.method is Method.CALL else None,
        )
    return HourTable(session=session.key, hours=hours)


def tables(added_s: dict[str, float], loss: dict[str, float] | None = None) -> list[HourTable]:
    rng = np.random.default_rng(11)
    every = (*derive_sessions(HOME), *call_sessions(HOME))
    return [session_hours(s, rng, added_s=added_s, loss=loss or {}) for s in every]


def compared(some: list[HourTable], look: int = 1, readings: tuple[Reading, ...] = ()) -> BeforeAfter:
    return before_after(HOME, some, readings, at_ns=CHANGE * HOUR_NS, spans=SPANS, look=look, zone=UTC)


def test_the_mended_link_is_named_and_no_other() -> None:
    found = compared(tables({"attic/router": 0.008}, {"attic/router": 0.02}))
    answers = {part.name: part.answer for part in found.links}
    assert answers.pop("attic/router") is ChangeAnswer.HELPED
    assert set(answers.values()) == {ChangeAnswer.NO_DIFFERENCE}
    assert {"desk/attic", "study/router"} <= set(answers)
    part = next(p for p in found.links if p.name == "attic/router")
    assert part.effects[0].change == pytest.approx(-0.008, abs=2e-4)
    assert part.effects[2].change == pytest.approx(-0.02, abs=0.002)


def test_nothing_done_shows_no_difference_anywhere() -> None:
    found = compared(tables({}))
    assert {p.answer for p in (*found.links, *found.sessions)} == {ChangeAnswer.NO_DIFFERENCE}
    delays = [e for p in found.links for e in p.effects if e.measure == "p50_s"]
    assert all(e.needed is None for e in delays)  # sure of it


def test_a_later_look_has_wider_intervals() -> None:
    some = tables({"attic/router": 0.008})
    first, third = compared(some), compared(some, look=3)
    one, two = (found.links[0].effects[0] for found in (first, third))
    assert one.low is not None
    assert two.low is not None
    assert two.low <= one.low
    # alpha / (k (k + 1)), of which links have 0.5 of 0.8 where there is no modem, over three figures a link,
    # and half as much again for parts of the day; by hand
    each = 0.05 / 2 * 0.5 / 0.8 / (3 * len(first.links)) / 1.5
    assert one.confidence == pytest.approx(1 - each)
    assert two.confidence == pytest.approx(1 - each / 6)


def test_all_figures_together_use_up_no_more_than_the_look_may() -> None:
    found = compared(tables({}), look=2)
    parts = (*found.links, *found.sessions)
    spent = sum(1 - e.confidence for p in parts for e in p.effects)
    spent += sum(1 - s.confidence for p in found.links for e in p.effects for s in e.shares)
    assert spent <= 0.05 / 6 + 1e-12


def test_links_without_an_address_between_them_are_told_together() -> None:
    names = {part.name for part in compared(tables({})).links}
    assert "router/modem + modem/provider-edge" in names


def test_the_clearest_view_of_a_link_is_over_the_fewest_radio_links() -> None:
    segments = segments_of(derive_sessions(HOME), [s.key for s in derive_sessions(HOME)])
    line = next(s for s in segments if "modem/provider-edge" in s.links)
    # study is wired to the router; desk and attic are not
    assert line.far == SessionKey(agent="study", target="provider-edge", method=Method.ECHO)
    assert line.near == SessionKey(agent="study", target="router", method=Method.ECHO)


def test_a_session_that_only_one_side_has_is_left_out() -> None:
    some = tables({})
    gone = replace(some[0], hours={h: f for h, f in some[0].hours.items() if h < CHANGE})
    names = {p.name for p in compared([gone, *some[1:]]).sessions}
    assert str(gone.session) not in names
    assert str(some[1].session) in names


def test_transfers_are_compared_by_the_hour_too() -> None:
    rng = np.random.default_rng(3)
    readings = tuple(
        Reading(
            at_ns=hour * HOUR_NS + 5,
            agent="desk",
            name="transfer_back_rate_bps:harbour",
            value=(60e6 if hour < CHANGE else 95e6) + rng.normal(0, 5e5),
        )
        for hour in (*SPANS.before, *SPANS.after)
    )
    found = compared(tables({}), readings=readings)
    part = next(p for p in found.sessions if p.name == "desk from harbour")
    assert part.answer is ChangeAnswer.HELPED
    assert part.effects[0].change == pytest.approx(35e6, rel=0.02)


def test_hours_that_never_meet_say_so() -> None:
    night = [
        replace(t, hours={h: f for h, f in t.hours.items() if (h % 24 < 6) == (h < CHANGE)})
        for t in tables({})
    ]
    assert not compared(night).measured


NOTES = {
    1: Note(at_ns=(CHANGE - 30) * HOUR_NS + 7, text="moved the attic node"),
    2: Note(at_ns=CHANGE * HOUR_NS + 9, text="took out the splitter"),
    3: Note(at_ns=(CHANGE + 20) * HOUR_NS + 9, text="new firmware"),
    4: Note(at_ns=CHANGE * HOUR_NS + 900, text="tightened the connectors"),
}


def spans(at_ns: int, now: int, notes: dict[int, Note], number: int | None) -> Spans:
    return spans_of(
        at_ns, now_ns=now, before_ns=72 * HOUR_NS, after_ns=72 * HOUR_NS, notes=notes, number=number
    )


def test_other_notes_cut_the_spans_and_are_named() -> None:
    found = spans(NOTES[2].at_ns, (CHANGE + 60) * HOUR_NS, NOTES, 2)
    assert found.before == range(CHANGE - 29, CHANGE)
    assert found.after == range(CHANGE + 1, CHANGE + 20)
    assert any("note 1 (moved the attic node)" in c for c in found.cut)
    assert any("note 3 (new firmware)" in c for c in found.cut)
    assert any("note 4" in c and "cannot be told apart" in c for c in found.cut)


def test_a_bare_instant_means_what_is_noted_in_its_hour() -> None:
    found = spans(NOTES[2].at_ns, (CHANGE + 60) * HOUR_NS, {2: NOTES[2]}, None)
    assert found.cut == ()


def test_the_hour_of_the_change_is_on_neither_side() -> None:
    found = spans(NOTES[2].at_ns, (CHANGE + 60) * HOUR_NS, {}, None)
    assert CHANGE not in found.before
    assert CHANGE not in found.after
    assert len(found.before) == 71  # 72 h back from within an hour holds 71 whole hours and the rest of one


def test_a_change_just_made_has_no_hours_after_it() -> None:
    found = spans(NOTES[2].at_ns, NOTES[2].at_ns + HOUR_NS // 3, {}, None)
    assert len(found.after) == 0


def test_the_past_ends_at_the_note_before() -> None:
    found = spans(NOTES[2].at_ns, (CHANGE + 60) * HOUR_NS, {2: NOTES[2]}, 2)
    assert found.past == range(found.before.start - 21 * 24, found.before.start)
    earlier = {1: Note(at_ns=(CHANGE - 100) * HOUR_NS, text="new switch"), 2: NOTES[2]}
    assert spans(NOTES[2].at_ns, (CHANGE + 60) * HOUR_NS, earlier, 2).past.start == CHANGE - 99
