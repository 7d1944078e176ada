"""The home's own traffic from the first second on is told once it has stopped, where it slowed something."""

import pytest
from msgspec.structs import replace

from support.homes import alder
from support.windows import START_NS, disturb, full_line, quiet
from whichhop.compare.history import judge
from whichhop.compare.live import Follower
from whichhop.compare.standing.together import together
from whichhop.compare.words import explain
from whichhop.model import Cause, Verdict, derive_sessions
from whichhop.model.units import NS_PER_S

HOME = alder("{kind: modem}", "{kind: modem, address: 192.0.2.254}")
SESSIONS = derive_sessions(HOME)
LINE = "modem/provider-edge"


def told(ticks: int, end: int, *, counted: bool = True, delay_s: float = 0.08) -> list[Verdict]:
    """What is said of a home whose upload runs from the first of these ticks to `end`."""
    table = disturb(quiet(HOME, ticks), HOME, LINE, slice(0, end), delay_s=delay_s)
    return judge(HOME, SESSIONS, table, full_line(ticks + 1, 0, end) if counted else ())


@pytest.mark.parametrize("end", [6, 40, 90])
def test_an_upload_from_the_first_second_on_is_told_once_it_has_stopped(end: int) -> None:
    (verdict,) = told(end + 60, end)
    assert verdict.cause is Cause.OWN_TRAFFIC
    assert verdict.elements == ("own-traffic",)
    assert verdict.standing
    assert verdict.start_ns == START_NS
    assert verdict.end_ns is not None
    assert (verdict.end_ns - START_NS) / NS_PER_S == pytest.approx(end * 10, abs=20)
    assert verdict.severity is not None
    assert verdict.severity.added_p50_s == pytest.approx(0.08, abs=0.005)
    assert any("against the quiet minutes after it" in line for line in explain(verdict))


def test_without_counters_or_without_harm_nothing_is_told_of_it() -> None:
    assert all(v.cause is not Cause.OWN_TRAFFIC for v in told(120, 60, counted=False))
    assert told(120, 60, delay_s=0.002) == []


def test_a_download_from_the_first_second_on_that_is_counted_by_the_minute_is_no_fault_of_the_line() -> None:
    # A rate takes two readings: the first ticks are not known to be busy, and are no line at rest.
    end, ticks = 174, 260
    table = disturb(quiet(HOME, ticks), HOME, LINE, slice(0, end), delay_s=0.08)
    readings = full_line(ticks + 1, 0, end)[4::6]
    found = judge(HOME, SESSIONS, table, readings)
    assert [v.cause for v in found] == [Cause.OWN_TRAFFIC]
    assert found[0].end_ns is not None
    assert (found[0].end_ns - START_NS) / NS_PER_S == pytest.approx(end * 10, abs=70)


@pytest.mark.parametrize(("told_s", "kept"), [(100, True), (590, False)])
def test_what_a_change_tells_most_of_is_told_once_and_a_change_that_saw_a_part_is_not_all_of_it(
    told_s: int, kept: bool
) -> None:
    (whole,) = told(120, 60)
    part = replace(
        whole, standing=False, start_ns=START_NS + 10 * NS_PER_S, end_ns=START_NS + told_s * NS_PER_S
    )
    assert together([whole], [part], START_NS + 1200 * NS_PER_S) == [whole if kept else part]


def test_what_goes_on_or_ended_a_moment_ago_is_not_told_yet() -> None:
    assert told(60, 60) == []
    assert told(66, 60) == []


def test_who_follows_hears_the_same_as_who_asks_later() -> None:
    table = disturb(quiet(HOME, 100), HOME, LINE, slice(0, 40), delay_s=0.08)
    readings = full_line(101, 0, 40)
    live = Follower(HOME, SESSIONS, start_ns=START_NS)
    said = []
    for tick in range(0, 100, 4):
        begin, end = table.at_ns(tick), table.at_ns(tick + 4)
        said.append(live.feed(table.span(tick, tick + 4), [r for r in readings if begin <= r.at_ns < end]))
    first = next(i for i, verdicts in enumerate(said) if verdicts)
    assert 400 < (first + 1) * 40 <= 600
    assert [v.cause for v in said[-1]] == [Cause.OWN_TRAFFIC]
    assert said[-1][0].end_ns == judge(HOME, SESSIONS, table, readings)[0].end_ns
