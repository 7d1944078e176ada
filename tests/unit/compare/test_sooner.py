"""What is strong is known before the ticks know it, and nobody is named whom the ticks clear."""

from functools import partial

import numpy as np
import pytest
from msgspec.structs import replace

from support.homes import alder, home_of
from support.windows import START_NS, disturb, quiet
from whichhop.compare.case import prepare
from whichhop.compare.history import DEFAULT_SETTINGS, closes, verdicts
from whichhop.compare.inference.evidence import columns_of
from whichhop.compare.inference.rated_ticks import scan
from whichhop.compare.live import Follower
from whichhop.compare.sooner import heard_by_second, soon_of
from whichhop.compare.suspects.elements import elements_of
from whichhop.compare.windows.seconds import Seconds, empty_seconds
from whichhop.compare.windows.table import WindowTable
from whichhop.model import Cause, Verdict, derive_sessions
from whichhop.model.units import NS_PER_S

HOME = alder("{kind: modem}", "{kind: modem, address: 192.0.2.254}")
SESSIONS = derive_sessions(HOME)
ELEMENTS = {e.name: sorted(e.column) for e in elements_of(HOME, SESSIONS)}


def with_seconds(table: WindowTable, seed: int = 5) -> WindowTable:
    """A packet a second of each session in a quiet table."""
    rng = np.random.default_rng(seed)
    seconds = empty_seconds(table.sessions, START_NS, table.ticks * 10)
    seconds.sent[:] = 1
    usual = np.array([0.002 * len(s.path.links) for s in SESSIONS])
    seconds.rtt_s[:] = usual + np.abs(rng.normal(0.0, 0.0004, seconds.rtt_s.shape))
    return replace(table, seconds=seconds)


def broken(
    table: WindowTable, element: str, first: int, end: int, *, delay_s: float = 0.0, lost: bool = False
) -> WindowTable:
    """Seconds first..end-1 of an element delayed or lost, and the ticks that hold them likewise."""
    assert isinstance(table.seconds, Seconds)
    column = ELEMENTS[element]
    table.seconds.rtt_s[first:end, column] += np.nan if lost else delay_s
    table.seconds.silent[first:end, column] = int(lost)
    for tick in range(first // 10, -(-end // 10)):
        part = min(end, tick * 10 + 10) - max(first, tick * 10)
        some = slice(tick, tick + 1)
        if lost:
            disturb(table, HOME, element, some, lost=part)
        elif part >= 5:
            disturb(table, HOME, element, some, delay_s=delay_s)
        elif part >= 2:
            table.q80_s[tick, column] += delay_s
    return table


def judged(table: WindowTable) -> list[Verdict]:
    """What changed; standing faults are looked for apart from that, and cost more."""
    case = prepare(HOME, SESSIONS, table, (), DEFAULT_SETTINGS)
    columns = columns_of(case.elements, len(case.sessions))
    done = scan(case.table, case.sessions, case.reporting, columns, case.settings)
    return verdicts(case, done, closes(case, done))


def known_after_s(verdict: Verdict, second: int) -> float:
    assert verdict.detected_ns is not None
    return (verdict.detected_ns - START_NS) / NS_PER_S - second


@pytest.mark.parametrize("element", ["desk/attic", "attic/router", "study/router", "modem/provider-edge"])
@pytest.mark.parametrize("second", [403, 408])
def test_an_outage_is_known_within_ten_seconds_wherever_in_a_tick_it_begins(
    element: str, second: int
) -> None:
    table = broken(with_seconds(quiet(HOME, 60)), element, second, 520, lost=True)
    (verdict,) = judged(table)
    assert element in verdict.elements
    assert known_after_s(verdict, second) <= 10.0
    (slow,) = judged(replace(table, seconds=None))
    assert known_after_s(slow, second) > known_after_s(verdict, second)


@pytest.mark.parametrize("element", ["desk/attic", "attic/router", "study/router"])
def test_a_strong_delay_is_known_within_fifteen_seconds(element: str) -> None:
    table = broken(with_seconds(quiet(HOME, 60)), element, 406, 520, delay_s=0.080)
    (verdict,) = judged(table)
    assert element in verdict.elements
    assert known_after_s(verdict, 406) <= 15.0


@pytest.mark.parametrize("element", ["desk/attic", "attic/router", "study/router"])
def test_who_asks_while_a_strong_delay_is_young_is_told_it(element: str) -> None:
    # At the 42nd tick only the 41st is a whole one, and two open an episode of the ticks.
    table = broken(with_seconds(quiet(HOME, 60)), element, 406, 520, delay_s=0.080)
    (verdict,) = judged(table.span(0, 42))
    assert element in verdict.elements
    assert verdict.end_ns is None
    # A minute later it is the ticks' to say, and a burst of the last seconds is nobody's fault.
    assert len(judged(table.span(0, 48))) == 1
    passing = broken(with_seconds(quiet(HOME, 60)), element, 416, 420, delay_s=0.050)
    assert judged(passing.span(0, 42)) == []


def test_what_is_said_of_an_episode_is_the_ticks_word_as_before() -> None:
    table = broken(with_seconds(quiet(HOME, 60)), "attic/router", 406, 520, delay_s=0.080)
    (slow,) = judged(replace(table, seconds=None))
    (verdict,) = judged(table)
    assert replace(verdict, detected_ns=slow.detected_ns) == slow


def test_an_outage_that_fills_no_tick_is_told_to_the_second() -> None:
    table = broken(with_seconds(quiet(HOME, 60)), "attic/router", 405, 415, lost=True)
    (verdict,) = judged(table)
    assert verdict.cause is Cause.BACKHAUL
    assert abs((verdict.start_ns - START_NS) / NS_PER_S - 405) <= 1
    assert verdict.end_ns is not None
    assert abs((verdict.end_ns - START_NS) / NS_PER_S - 415) <= 3


def test_a_roaming_gap_is_no_fault() -> None:
    # Up to four seconds: common practice.
    table = broken(with_seconds(quiet(HOME, 60)), "desk/attic", 408, 412, lost=True)
    assert judged(table) == []


def test_a_passing_burst_is_no_fault() -> None:
    table = broken(with_seconds(quiet(HOME, 60)), "desk/attic", 407, 412, delay_s=0.050)
    assert judged(table) == []


def test_a_second_outage_beside_a_fault_that_goes_on_is_known_by_its_own_sessions() -> None:
    table = broken(with_seconds(quiet(HOME, 60)), "study/router", 320, 520, delay_s=0.030)
    table = broken(table, "attic/router", 403, 520, lost=True)
    late = [v for v in judged(table) if "attic/router" in v.elements]
    assert len(late) == 1
    assert known_after_s(late[0], 403) <= 10.0


def test_an_agent_that_says_nothing_is_not_taken_for_an_outage() -> None:
    table = with_seconds(quiet(HOME, 60))
    assert isinstance(table.seconds, Seconds)
    mine = [i for i, s in enumerate(SESSIONS) if s.key.agent == "desk"]
    theirs = [i for i, s in enumerate(SESSIONS) if s.key.target == "desk"]
    table.seconds.sent[400:520, mine] = 0
    table.seconds.silent[400:520, theirs] = 1
    table.sent[40:52, mine] = 0
    table.lost[40:52, theirs] = 10
    table.q50_s[40:52, mine + theirs] = table.q80_s[40:52, mine + theirs] = np.nan
    assert judged(table) == []


def test_quiet_homes_stay_quiet() -> None:
    for seed in range(3):
        assert judged(with_seconds(quiet(HOME, 360, seed=seed), seed)) == []


def followed(table: WindowTable, ticks: int) -> Follower:
    follower = Follower(HOME, SESSIONS, start_ns=table.start_ns, seconds=table.seconds)
    follower.feed(replace(table, seconds=None).span(0, ticks))
    return follower


def test_live_use_says_it_before_the_ticks_and_then_the_ticks_say_the_same() -> None:
    table = broken(with_seconds(quiet(HOME, 60)), "attic/router", 403, 520, lost=True)
    assert isinstance(table.seconds, Seconds)
    follower = followed(table, 40)
    seen = {}
    for second in range(404, 416):
        newest = table.seconds(table.start_ns + (second - 40) * NS_PER_S, START_NS + second * NS_PER_S)
        seen[second] = follower.soon(newest)
    first = min(s for s, said in seen.items() if said)
    assert first - 403 <= 10
    (said,) = seen[first]
    assert (said.elements, said.end_ns) == (("attic/router",), None)
    assert said.severity is not None
    assert said.severity.loss_ratio == pytest.approx(1.0)
    told = follower.feed(replace(table, seconds=None).span(40, 46))
    assert [v.elements for v in told] == [("attic/router",)]
    assert told[0].detected_ns is not None
    assert told[0].detected_ns <= START_NS + 413 * NS_PER_S
    # What the ticks tell is not told again.
    assert follower.soon(table.seconds(START_NS + 420 * NS_PER_S, START_NS + 460 * NS_PER_S)) == []


def test_a_box_that_is_not_heard_of_is_still_asked_and_a_machine_that_may_sleep_is_not() -> None:
    table = with_seconds(quiet(HOME, 5))
    assert isinstance(table.seconds, Seconds)
    for i, session in enumerate(SESSIONS):
        if session.key.agent in ("attic", "desk"):
            table.seconds.sent[20:, i] = 0
    speaks = heard_by_second(table.seconds, SESSIONS)
    for i, session in enumerate(SESSIONS):
        if session.key.agent == "study":
            assert speaks[-1, i] == (session.key.target != "desk")
        elif session.key.agent in ("attic", "desk"):
            assert not speaks[-1, i]


def test_live_use_says_nothing_of_a_quiet_home_nor_of_an_agent_that_sleeps() -> None:
    table = with_seconds(quiet(HOME, 45))
    assert isinstance(table.seconds, Seconds)
    follower = followed(table, 40)
    newest = table.seconds(START_NS + 410 * NS_PER_S, START_NS + 450 * NS_PER_S)
    assert follower.soon(newest) == []
    for i, session in enumerate(SESSIONS):
        if session.key.agent == "desk":
            newest.sent[5:, i] = 0
        if session.key.target == "desk":
            newest.silent[5:, i] = 1
    assert follower.soon(newest) == []


DOZERS = """\
home: Elm House
nodes:
  modem:  {kind: modem, address: 192.0.2.254}
  router: {kind: router, address: 192.0.2.1}
  couch:  {kind: host, address: 192.0.2.21, agent: true}
  desk:   {kind: host, address: 192.0.2.20, agent: true}
  study:  {kind: host, address: 192.0.2.30, agent: true}
links:
  - {join: [desk, router], kind: wireless}
  - {join: [couch, router], kind: wireless}
  - {join: [study, router], kind: wired}
  - {join: [router, modem], kind: wired}
  - {join: [modem, provider-edge], kind: access, medium: cable}
targets:
  provider-edge: 198.51.100.1
  peers: {harbour: {address: 203.0.113.7, stamp: true}}
"""


@pytest.mark.parametrize("slow", ["modem/provider-edge", "destination:harbour", "reply:router"])
def test_no_second_names_what_only_dozing_radios_find_slow(slow: str) -> None:
    home = home_of(DOZERS)
    sessions = derive_sessions(home)
    (column,) = (e.column for e in elements_of(home, sessions) if e.name == slow)
    radios = [i for i in column if sessions[i].key.agent != "study"]
    case = prepare(home, sessions, quiet(home, 60), (), DEFAULT_SETTINGS)
    done = scan(case.table, sessions, case.reporting, columns_of(case.elements, len(sessions)), case.settings)
    seconds = empty_seconds(case.table.sessions, case.table.at_ns(39), 30)
    seconds.sent[:] = 1
    seconds.rtt_s[:] = [0.002 * len(s.path.links) for s in sessions]
    seconds.rtt_s[10:, radios] += 0.1
    speaks = heard_by_second(seconds, sessions)
    assert not soon_of(
        seconds, speaks, done, block=done.block_of(41), elements=case.elements, onset=case.onset
    )
    # What the wired one finds slow too is not the radios' waking.
    seconds.rtt_s[10:, sorted(column)] = 0.15
    assert soon_of(seconds, speaks, done, block=done.block_of(41), elements=case.elements, onset=case.onset)


LONE = """\
home: Lone Laptop
nodes:
  box:    {kind: gateway, address: 192.0.2.1}
  laptop: {kind: host, address: 192.0.2.20, agent: true}
links:
  - {join: [laptop, box], kind: wireless}
  - {join: [box, provider-edge], kind: access, medium: dsl}
targets:
  provider-edge: 198.51.100.1
  peers: {harbour: {address: 203.0.113.7}}
"""


def test_no_second_names_the_hop_of_a_lone_radio_that_dozes() -> None:
    """What it asks first in a second comes late more often than not, what it asks right after is in time; at
    one coincidence six faults in a quarter of an hour were told and withdrawn."""
    home = home_of(LONE)
    sessions = derive_sessions(home)
    case = prepare(home, sessions, quiet(home, 60), (), DEFAULT_SETTINGS)
    done = scan(case.table, sessions, case.reporting, columns_of(case.elements, len(sessions)), case.settings)
    seconds = empty_seconds(case.table.sessions, case.table.at_ns(39), 40)
    seconds.sent[:] = 1
    usual = np.array([0.002 * len(s.path.links) for s in sessions])
    rng = np.random.default_rng(3)
    awake = [str(s.key.target) for s in sessions].index("provider-edge")
    late = rng.uniform(0.05, 0.3, seconds.rtt_s.shape) * (rng.random(seconds.rtt_s.shape) < 0.75)
    late[:, awake] = 0.0
    late[10] = 0.08  # a second in which all come late
    seconds.rtt_s[:] = usual + late
    speaks = heard_by_second(seconds, sessions)
    look = partial(
        soon_of, seconds, speaks, done, block=done.block_of(41), elements=case.elements, onset=case.onset
    )
    assert look() == ()
    seconds.rtt_s[:] = usual
    seconds.rtt_s[20:] += 0.1  # a fault delays what is asked right after too
    assert look()
