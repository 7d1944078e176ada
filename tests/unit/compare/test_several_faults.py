"""Faults beside, after and inside each other, made by hand: compare, follow and status tell the same of them.

The truth of each timeline is known by construction: what was added to whose packets, and when.
"""

from collections.abc import Sequence
from itertools import pairwise

import pytest
from msgspec import Struct

from support.homes import home_of
from support.windows import START_NS, disturb, full_line, quiet
from whichhop.compare.bulletin import bulletin_of
from whichhop.compare.day_book import ChangeKind, DayBook, changes
from whichhop.compare.history import judge
from whichhop.compare.live import Follower
from whichhop.compare.windows.table import TICK_NS, WindowTable
from whichhop.model import Reading, Verdict, derive_sessions

HOME = home_of("""\
home: Cedar House
plan: {down_mbps: 100, up_mbps: 20}
nodes:
  modem:  {kind: modem, address: 192.0.2.254}
  router: {kind: router, address: 192.0.2.1}
  attic:  {kind: mesh-node, address: 192.0.2.2, agent: true}
  desk:   {kind: host, address: 192.0.2.20, agent: true}
  tablet: {kind: host, address: 192.0.2.21, agent: true}
  study:  {kind: host, address: 192.0.2.30, agent: true}
  cellar: {kind: host, address: 192.0.2.31, agent: true}
links:
  - {join: [desk, attic], kind: wireless}
  - {join: [tablet, attic], kind: wireless}
  - {join: [attic, router], kind: backhaul, medium: radio}
  - {join: [study, router], kind: wireless}
  - {join: [cellar, router], kind: wired}
  - {join: [router, modem], kind: wired}
  - {join: [modem, provider-edge], kind: access, medium: cable}
targets:
  provider-edge: 198.51.100.1
  peers:
    harbour: {address: 203.0.113.7, stamp: true}
    lagoon: {address: 203.0.113.8, stamp: true}
""")
SESSIONS = derive_sessions(HOME)
LINE, BACKHAUL, STUDY, DESK, TABLET = (
    "modem/provider-edge",
    "attic/router",
    "study/router",
    "desk/attic",
    "tablet/attic",
)
QUIET = 36
"""Ticks before anything happens, taken in at once."""


class Hit(Struct, frozen=True):
    """What was done to whatever crosses an element, in ticks after QUIET: a delay, packets of ten lost."""

    element: str
    first: int
    end: int
    delay_s: float = 0.0
    lost: int = 0


Told = tuple[str, int, int]
"""A hop that must be among those named, and the first and end tick, give or take one."""


class Timeline(Struct, frozen=True, kw_only=True):
    """What was done, what must be told in order of time, and when the home uploads, if counters tell it."""

    hits: tuple[Hit, ...]
    told: tuple[Told, ...]
    upload: tuple[int, int] | None = None

    @property
    def ticks(self) -> int:
        return QUIET + max(h.end for h in self.hits) + 20

    @property
    def table(self) -> WindowTable:
        table = quiet(HOME, self.ticks)
        for hit in self.hits:
            span = slice(QUIET + hit.first, QUIET + hit.end)
            disturb(table, HOME, hit.element, span, delay_s=hit.delay_s, lost=hit.lost)
        return table

    @property
    def readings(self) -> list[Reading]:
        if self.upload is None:
            return []
        return full_line(self.ticks + 1, QUIET + self.upload[0], QUIET + self.upload[1])


TIMELINES = {
    "a fault of a radio inside one of the backhaul that it does not use": Timeline(
        hits=(Hit(BACKHAUL, 0, 40, 0.060), Hit(STUDY, 12, 24, lost=3)),
        told=((BACKHAUL, 0, 40), (STUDY, 12, 24)),
    ),
    "a fault of a radio inside one of the backhaul behind it": Timeline(
        hits=(Hit(BACKHAUL, 0, 40, 0.060), Hit(DESK, 12, 24, lost=3)),
        told=((BACKHAUL, 0, 40), (DESK, 12, 24)),
    ),
    "one radio twice, half a minute between, is one that comes back": Timeline(
        hits=(Hit(STUDY, 0, 12, 0.080), Hit(STUDY, 15, 27, 0.080)),
        told=((STUDY, 0, 27),),
    ),
    "one radio twice, three minutes between, is two": Timeline(
        hits=(Hit(STUDY, 0, 12, 0.080), Hit(STUDY, 30, 42, 0.080)),
        told=((STUDY, 0, 12), (STUDY, 30, 42)),
    ),
    "the radios of two rooms at once": Timeline(
        hits=(Hit(DESK, 0, 20, 0.080), Hit(STUDY, 0, 20, 0.050, 1)),
        told=((DESK, 0, 20), (STUDY, 0, 20)),
    ),
    "the backhaul and a radio of its own node": Timeline(
        hits=(Hit(BACKHAUL, 0, 30, 0.080), Hit(DESK, 8, 22, 0.040)),
        told=((BACKHAUL, 0, 30), (DESK, 8, 22)),
    ),
    "the line while a backhaul heals": Timeline(
        hits=(
            Hit(BACKHAUL, 0, 20, 0.080),
            Hit(BACKHAUL, 20, 24, 0.050),
            Hit(BACKHAUL, 24, 28, 0.025),
            Hit(LINE, 18, 40, 0.050, 1),
        ),
        told=((BACKHAUL, 0, 28), (LINE, 18, 40)),
    ),
    "an upload that nobody counts inside a fault of the line": Timeline(
        hits=(Hit(LINE, 0, 45, 0.040, 1), Hit(LINE, 15, 30, 0.300)),
        told=((LINE, 0, 15), ("own-traffic", 15, 30), (LINE, 30, 45)),
    ),
    "an upload that counters tell beside a radio": Timeline(
        hits=(Hit(STUDY, 0, 40, 0.080), Hit("own-traffic", 10, 25, 0.200)),
        told=((STUDY, 0, 40), ("own-traffic", 10, 25)),
        upload=(10, 25),
    ),
    "the line goes out while it is slow": Timeline(
        hits=(Hit(LINE, 0, 45, 0.060), Hit(LINE, 15, 24, lost=10)),
        told=((LINE, 0, 15), (LINE, 15, 24), (LINE, 24, 45)),
    ),
    "a radio goes out while it loses some": Timeline(
        hits=(Hit(STUDY, 0, 45, lost=3), Hit(STUDY, 15, 24, lost=10)),
        told=((STUDY, 0, 15), (STUDY, 15, 24), (STUDY, 24, 45)),
    ),
    "two destinations, the second before the first is over": Timeline(
        hits=(Hit("destination:harbour", 0, 30, 0.080), Hit("destination:lagoon", 12, 42, 0.060)),
        told=(("destination:harbour", 0, 30), ("destination:lagoon", 12, 42)),
    ),
    "three radios one after the other": Timeline(
        hits=(Hit(STUDY, 0, 12, 0.080), Hit(DESK, 12, 24, 0.080), Hit(TABLET, 24, 36, 0.080)),
        told=((STUDY, 0, 12), (DESK, 12, 24), (TABLET, 24, 36)),
    ),
    "three at once: a radio, a backhaul, a line that loses": Timeline(
        hits=(Hit(STUDY, 0, 30, 0.080), Hit(BACKHAUL, 6, 36, 0.060), Hit(LINE, 12, 42, lost=2)),
        told=((STUDY, 0, 30), (BACKHAUL, 6, 36), (LINE, 12, 42)),
    ),
}


def tick_of(at_ns: int) -> int:
    return (at_ns - START_NS) // TICK_NS - QUIET


def fits(told: Sequence[Told], verdicts: Sequence[Verdict]) -> bool:
    """Whether these verdicts are as many, of these hops, at these times."""
    ordered = sorted(verdicts, key=lambda v: (v.start_ns, v.elements))
    expected = sorted(told, key=lambda t: (t[1], t[0]))
    return len(ordered) == len(expected) and all(
        v.end_ns is not None
        and abs(tick_of(v.start_ns) - first) <= 1
        and abs(tick_of(v.end_ns) - end) <= 1
        and hop in v.elements
        for v, (hop, first, end) in zip(ordered, expected, strict=True)
    )


@pytest.mark.parametrize("name", TIMELINES)
def test_compare_follow_and_status_tell_each_fault_once_by_its_hop_and_time(name: str) -> None:
    line = TIMELINES[name]
    table, readings = line.table, line.readings
    past = judge(HOME, SESSIONS, table, readings)
    assert fits(line.told, past), [(v.elements, tick_of(v.start_ns), tick_of(v.end_ns or 0)) for v in past]

    follower, book, before = Follower(HOME, SESSIONS, start_ns=table.start_ns), DayBook(), []
    opened: list[tuple[str, ...]] = []
    # What is told is told within two ticks; each of them would take twice the time.
    edges = [0, *range(QUIET, table.ticks + 1, 2)]
    for begin, end in pairwise(edges):
        piece = table.span(begin, end)
        new = [r for r in readings if piece.start_ns <= r.at_ns < table.at_ns(end)]
        follower.feed(piece, new)
        state = follower.standing()
        told = book.take(state.verdicts, state.judged_ns, follower.end_ns)
        opened += [c.verdict.elements for c in changes(before, told) if c.kind is ChangeKind.OPENED]
        before = told
        # Half a minute and more after it began and before it ends, status says that it goes on.
        on = [h.element for h in line.hits if h.first + 5 < end - QUIET < h.end - 1]
        ongoing = [v.elements for v in bulletin_of(state, told).ongoing]
        assert all(any(hop in named for named in ongoing) for hop in on), (end - QUIET, on, ongoing)
    assert [(v.start_ns, v.end_ns, v.elements) for v in before] == [
        (v.start_ns, v.end_ns, v.elements) for v in past
    ]
    # Whoever follows hears of each once.
    assert len(opened) == len(line.told)


def test_each_faults_figures_are_its_own() -> None:
    """What was put in comes out, though the others meet the same packets."""
    line = TIMELINES["three at once: a radio, a backhaul, a line that loses"]
    by_hop = {v.elements[0]: v.severity for v in judge(HOME, SESSIONS, line.table)}
    for hop, delay_s, loss in ((STUDY, 0.080, 0.0), (BACKHAUL, 0.060, 0.0), (LINE, 0.0, 0.2)):
        found = by_hop[hop] if hop in by_hop else by_hop["own-traffic"]
        assert found.added_p50_s == pytest.approx(delay_s, abs=0.001)
        assert found.loss_ratio == pytest.approx(loss, abs=0.005)


def test_an_outage_while_a_line_is_slow_has_its_own_figures() -> None:
    line = TIMELINES["the line goes out while it is slow"]
    slow, gone, again = judge(HOME, SESSIONS, line.table)
    assert [v.severity.loss_ratio for v in (slow, gone, again)] == [0.0, 1.0, 0.0]
    assert slow.severity.added_p50_s == pytest.approx(0.060, abs=0.001)
    assert again.severity.added_p50_s == pytest.approx(0.060, abs=0.001)


def test_a_line_that_is_gone_at_times_and_well_between_is_cut_nowhere() -> None:
    hits = tuple(Hit(LINE, at, at + 4, lost=10) for at in (0, 6, 12))
    line = Timeline(hits=hits, told=((LINE, 0, 16),))
    assert fits(line.told, judge(HOME, SESSIONS, line.table))
