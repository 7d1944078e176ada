"""A long span judged by the day says what it says judged as one; each answer is held against the other."""

import numpy as np
from msgspec.structs import replace

from support.long_store import short_house
from support.windows import START_NS, disturb, quiet
from whichhop.compare.comparison import Comparison, compare_windows
from whichhop.compare.day_judging import DAY_NS, DaySpan, day_spans, judge_day
from whichhop.compare.history import judge
from whichhop.compare.windows.table import TICK_NS, WindowTable
from whichhop.model import Home, Verdict, derive_sessions

DAY = DAY_NS // TICK_NS
MIDNIGHT_NS = START_NS - START_NS % DAY_NS
HOME = short_house("mesh-node, address: 192.0.2.2}", "mesh-node, address: 192.0.2.2, agent: true}")
NEAR_NS = 2 * TICK_NS
"""Baselines are taken at other instants, so that an edge may lie a tick or two elsewhere."""


def days(count: int, *faults: tuple[str, int, int]) -> WindowTable:
    table = replace(quiet(HOME, count * DAY), start_ns=MIDNIGHT_NS)
    table.tail_s[:] = 0.001
    for element, first, end in faults:
        disturb(table, HOME, element, slice(first, end), delay_s=0.06)
    return table


def by_days(table: WindowTable, home: Home = HOME) -> Comparison:
    found = compare_windows(home, table, ())
    assert found is not None
    return found


def _end(verdict: Verdict, table: WindowTable) -> int:
    return table.at_ns(table.ticks) if verdict.end_ns is None else verdict.end_ns


def assert_alike(found: Comparison, table: WindowTable) -> None:
    """The same episodes, elements and probabilities as the whole span's."""
    whole = judge(HOME, derive_sessions(HOME), table)
    assert [(v.cause, frozenset(v.elements), v.standing, v.proven) for v in found.verdicts] == [
        (v.cause, frozenset(v.elements), v.standing, v.proven) for v in whole
    ]
    for one, other in zip(found.verdicts, whole, strict=True):
        assert abs(one.start_ns - other.start_ns) <= NEAR_NS
        assert abs(_end(one, table) - _end(other, table)) <= NEAR_NS
        assert (one.end_ns is None) == (other.end_ns is None)
        assert abs(one.probability - other.probability) < 0.02


def test_days_lie_between_midnights_and_the_first_is_no_short_one() -> None:
    begin = MIDNIGHT_NS + 20 * 3600 * 10**9
    spans = day_spans(begin, MIDNIGHT_NS + 3 * DAY_NS + 5 * TICK_NS)
    assert [(s.begin_ns - MIDNIGHT_NS) / DAY_NS for s in spans] == [20 / 24, 2, 3]
    assert [s.end_ns for s in spans] == [s.begin_ns for s in spans[1:]] + [spans[-1].to_ns]
    assert all(s.from_ns == max(begin, s.begin_ns - DAY_NS) for s in spans)
    assert spans[0].to_ns == spans[0].end_ns + DAY_NS // 24


def test_faults_of_days_are_told_as_over_the_whole_span() -> None:
    table = days(
        3,
        ("attic/router", 900, 1000),
        ("desk/attic", DAY + 4000, DAY + 4060),
        ("router/provider-edge", 3 * DAY - 100, 3 * DAY),
    )
    found = by_days(table)
    assert len(found.verdicts) == 3
    assert_alike(found, table)
    assert (found.start_ns, found.end_ns) == (table.start_ns, table.at_ns(table.ticks))
    assert found.packets == int(table.sent.sum())


def test_an_episode_over_midnight_is_one() -> None:
    around = ((-90, 20), (-20, 90), (-400, 900), (0, 40))
    faults = [("attic/router", n * DAY + first, n * DAY + end) for n, (first, end) in enumerate(around, 1)]
    table = days(5, *faults)
    found = by_days(table)
    assert len(found.verdicts) == len(around)
    assert_alike(found, table)


def test_what_stood_when_measuring_began_is_told_once_until_it_is_over() -> None:
    table = days(3, ("attic/router", 0, DAY + 5000))
    found = by_days(table)
    (verdict,) = found.verdicts
    assert verdict.standing
    assert verdict.start_ns == table.start_ns
    assert_alike(found, table)
    lasting = by_days(days(3, ("attic/router", 0, 3 * DAY)))
    assert [v.end_ns for v in lasting.verdicts] == [None]


def test_after_a_gap_measuring_begins_anew() -> None:
    table = days(5, ("attic/router", 3 * DAY + 3000, 5 * DAY))
    gap = slice(DAY, 3 * DAY + 3000)
    for name in ("sent", "lost"):
        getattr(table, name)[gap] = 0
    for name in ("q50_s", "q80_s"):
        getattr(table, name)[gap] = np.nan
    (verdict,) = by_days(table).verdicts
    assert verdict.standing
    assert verdict.start_ns == table.at_ns(gap.stop)
    assert verdict.end_ns is None


def test_what_lasts_as_measuring_ends_before_a_gap_ends_there() -> None:
    table = days(4, ("attic/router", DAY + 3000, DAY + 3100))
    for name in ("sent", "lost"):
        getattr(table, name)[DAY + 3100 : 3 * DAY + 600] = 0
    for name in ("q50_s", "q80_s"):
        getattr(table, name)[DAY + 3100 : 3 * DAY + 600] = np.nan
    (verdict,) = by_days(table).verdicts
    assert not verdict.standing
    assert verdict.end_ns == table.at_ns(DAY + 3100)


def test_a_span_of_two_days_is_judged_as_one() -> None:
    table = days(2, ("attic/router", DAY - 90, DAY + 20), ("router/provider-edge", 2 * DAY - 50, 2 * DAY))
    assert list(by_days(table).verdicts) == judge(HOME, derive_sessions(HOME), table)


def test_a_day_in_which_nothing_was_sent_is_none() -> None:
    table = days(2)
    table.sent[DAY:] = 0
    span = DaySpan(
        begin_ns=MIDNIGHT_NS + DAY_NS,
        end_ns=MIDNIGHT_NS + 2 * DAY_NS,
        from_ns=MIDNIGHT_NS,
        to_ns=MIDNIGHT_NS + 2 * DAY_NS,
    )
    assert judge_day(HOME, table, (), span) is None
    assert judge_day(HOME, replace(table, start_ns=MIDNIGHT_NS + DAY_NS), (), span) is not None


PEERS = short_house(
    "  provider-edge: 198.51.100.1\n",
    "  provider-edge: 198.51.100.1\n  peers: {harbour: 203.0.113.7, quay: 203.0.113.9}\n",
)


def three_days(element: str, first: int, end: int) -> WindowTable:
    """Of a home that asks three targets upstream; nothing comes through an element in these ticks."""
    table = replace(quiet(PEERS, 3 * DAY), start_ns=MIDNIGHT_NS)
    return disturb(table, PEERS, element, slice(first, end), lost=10)


def test_an_outage_from_the_first_packet_on_ends_with_the_first_answer_of_a_later_day() -> None:
    (verdict,) = by_days(three_days("attic/router", 0, DAY + 5000), PEERS).verdicts
    assert verdict.standing
    assert verdict.end_ns == MIDNIGHT_NS + (DAY + 5000) * TICK_NS
    lasting = by_days(three_days("attic/router", 0, 3 * DAY), PEERS)
    assert [v.end_ns for v in lasting.verdicts] == [None]


def test_who_answers_nobody_on_any_day_is_named_and_who_answers_on_one_is_not() -> None:
    mute = three_days("reply:provider-edge", 0, 3 * DAY)
    found = by_days(mute.picked([k for k in mute.sessions if k.target not in PEERS.peers]), PEERS)
    assert found.silent == ("provider-edge",)
    assert found.unmeasured == ("router/provider-edge", "beyond")
    assert by_days(mute, PEERS).silent == ()
    later = three_days("reply:provider-edge", 0, 2 * DAY)
    assert (
        by_days(later.picked([k for k in mute.sessions if k.target not in PEERS.peers]), PEERS).silent == ()
    )
