"""The seconds inside of ticks, counted from records and from drawn packets."""

from array import array

import numpy as np
import pytest

from paper_home.paper import prepare
from paper_home.records import records_of_run
from paper_home.seconds import seconds_of_run
from support.paper import alder_house
from whichhop.compare.windows.filling import seconds_of
from whichhop.compare.windows.seconds import PATIENCE_NS, empty_seconds
from whichhop.lab.scenario import Effect, Fault
from whichhop.model import ABSENT, Cause, Columns, Fate, Method, Record, SessionKey
from whichhop.model.units import NS_PER_MINUTE, NS_PER_MS, NS_PER_S

KEY = SessionKey(agent="desk", target="router", method=Method.STAMP)
START_NS = 29_000_000 * NS_PER_MINUTE


def record(fates: list[Fate], rtt_ns: list[int], each_ns: int = NS_PER_S) -> Record:
    return Record(
        session=KEY,
        minute=29_000_000,
        samples=Columns(
            sent_ns=array("q", [START_NS + i * each_ns for i in range(len(fates))]),
            fate=array("B", fates),
            rtt_ns=array("q", rtt_ns),
            out_ns=array("q", [ABSENT] * len(fates)),
            queue_ns=array("q", [ABSENT] * len(fates)),
        ),
    )


def test_an_answer_is_waited_for_a_second_and_no_longer() -> None:
    # Answered fast, answered past the patience, late by RFC 7680's waiting time, lost, never sent.
    fates = [Fate.ANSWERED, Fate.ANSWERED, Fate.LATE, Fate.LOST_OUT, Fate.NOT_SENT]
    rtts = [20 * NS_PER_MS, PATIENCE_NS + 1, 4 * NS_PER_S, ABSENT, ABSENT]
    found = seconds_of([record(fates, rtts)], [KEY], START_NS, START_NS + 6 * NS_PER_S)
    assert found.sent[:, 0].tolist() == [1, 1, 1, 1, 0, 0]
    assert found.silent[:, 0].tolist() == [0, 1, 1, 1, 0, 0]
    assert found.rtt_s[0, 0] == pytest.approx(0.020)
    assert np.isnan(found.rtt_s[1:, 0]).all()


def test_a_seconds_round_trip_is_the_median_of_its_answers() -> None:
    rtts = [i * NS_PER_MS for i in (10, 90, 30, 20, 40)]
    found = seconds_of(
        [record([Fate.ANSWERED] * 5, rtts, NS_PER_S // 5)], [KEY], START_NS, START_NS + NS_PER_S
    )
    assert found.rtt_s[0, 0] == pytest.approx(np.median(rtts) * 1e-9)


def test_a_span_is_cut_and_other_sessions_have_sent_nothing() -> None:
    found = seconds_of([record([Fate.LOST] * 60, [ABSENT] * 60)], [KEY], START_NS, START_NS + NS_PER_MINUTE)
    part = found(START_NS + 50 * NS_PER_S, START_NS + 2 * NS_PER_MINUTE)
    assert (part.start_ns, part.count) == (START_NS + 50 * NS_PER_S, 10)
    other = SessionKey(agent="attic", target="router", method=Method.STAMP)
    both = part.picked([other, KEY])
    assert both.sent[:, 0].sum() == 0
    assert both.silent[:, 1].tolist() == [1] * 10
    assert empty_seconds([KEY], START_NS, 0).count == 0


def test_both_ways_from_packets_to_seconds_agree() -> None:
    outage = Fault(
        at_s=200.5, for_s=30, element="attic/router", cause=Cause.BACKHAUL, effect=Effect(outage=True)
    )
    run = prepare(alder_house(seconds=600, noise=1.0, faults=(outage,)), 4)
    drawn = seconds_of_run(run, START_NS)
    cut = seconds_of(records_of_run(run, START_NS), drawn.sessions, START_NS, drawn.at_ns(drawn.count))
    for name in ("sent", "silent"):
        assert np.array_equal(getattr(drawn, name), getattr(cut, name)), name
    assert np.array_equal(np.isnan(drawn.rtt_s), np.isnan(cut.rtt_s))
    assert np.nanmax(np.abs(drawn.rtt_s - cut.rtt_s)) < 1e-6
