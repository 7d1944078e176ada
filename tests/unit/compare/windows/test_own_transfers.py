"""Delay that our own transfers made is nobody's fault, and a fault around one is still found."""

from typing import Any

import numpy as np
import pytest

from support.homes import alder
from support.windows import START_NS, disturb, quiet
from whichhop.compare.history import judge
from whichhop.compare.live import Follower
from whichhop.compare.windows.reporting import DRAIN_NS, disturbed, felt_by, moved_of
from whichhop.compare.windows.table import WindowTable
from whichhop.model import Cause, Reading, Verdict, derive_sessions
from whichhop.model.transfer import DOWNLOADS, STARTS_S, begin_reading
from whichhop.model.units import NS_PER_S

HOME = alder("{kind: modem}", "{kind: modem, address: 192.0.2.254}")
SESSIONS = derive_sessions(HOME)
LINE = "modem/provider-edge"


def at(seconds: float) -> int:
    return START_NS + round(seconds * NS_PER_S)


def told(
    begin_s: float, end_s: float | None, *, other_end: str = DOWNLOADS, way: str = "back"
) -> list[Reading]:
    """What the study's agent keeps of one direction; without an end it was killed meanwhile."""
    out = [begin_reading(at_ns=at(begin_s), agent="study", other_end=other_end, way=way, limit_s=10.0)]
    if end_s is not None:
        name = f"transfer_{way}_seconds:{other_end}"
        out.append(Reading(at_ns=at(end_s), agent="study", name=name, value=end_s - begin_s - 1.0))
    return out


def counters(table: WindowTable, filled: slice) -> list[Reading]:
    """The attic's counters of a line used at 1 % of its plan, in some ticks at 97 %."""
    share = np.full(table.ticks + 1, 0.01)
    share[filled] = 0.97
    total = np.concatenate([[0.0], np.cumsum(share * 20_000_000 / 8 * 10)])
    return [
        Reading(at_ns=at(10 * t), agent="attic", name="wan_tx_bytes", value=float(v))
        for t, v in enumerate(total)
    ]


def filled_by_us(ticks: slice = slice(20, 23)) -> tuple[WindowTable, list[Reading]]:
    """A quiet home whose line transfers of ours fill for some ticks."""
    table = disturb(quiet(HOME, 40), HOME, LINE, ticks, delay_s=0.120)
    return table, counters(table, ticks)


def test_a_transfer_of_ours_in_a_quiet_home_is_no_episode() -> None:
    table, used = filled_by_us()
    assert judge(HOME, SESSIONS, table, used), "the test must be able to fail"
    assert judge(HOME, SESSIONS, table, [*used, *told(201, 214), *told(215, 228, way="out")]) == []


def test_nor_is_it_where_nobody_counts_own_traffic() -> None:
    table, _ = filled_by_us(slice(20, 26))
    assert judge(HOME, SESSIONS, table), "the test must be able to fail"
    turns = [told(begin, begin + 12) for begin in (201, 215, 229, 243)]
    assert judge(HOME, SESSIONS, table, [r for turn in turns for r in turn]) == []


def follow(table: WindowTable, readings: list[Reading]) -> list[Verdict]:
    """Fed tick by tick, each with the readings that were kept by then."""
    follower, out = Follower(HOME, SESSIONS, start_ns=table.start_ns), []
    for tick in range(table.ticks):
        piece = table.span(tick, tick + 1)
        fresh = [r for r in readings if table.at_ns(tick) <= r.at_ns < table.at_ns(tick + 1)]
        out += follower.feed(piece, fresh)
    return out


def test_live_use_knows_of_it_while_it_runs() -> None:
    table, used = filled_by_us()
    assert follow(table, used), "the test must be able to fail"
    # The end is told only once all is judged, long after the ticks were: the begin must do.
    assert follow(table, [*used, *told(201, None), *told(216, None, way="out")]) == []


def test_a_fault_of_the_line_around_a_transfer_is_still_found() -> None:
    table = disturb(quiet(HOME, 80), HOME, LINE, slice(20, 60), delay_s=0.120)
    filled = slice(38, 41)
    (verdict,) = judge(HOME, SESSIONS, table, [*counters(table, filled), *told(381, 394)])
    assert verdict.cause is Cause.UPSTREAM_LINK
    assert verdict.proven, verdict.missing
    assert (verdict.start_ns, verdict.end_ns) == (at(200), at(600))


def test_a_fault_that_begins_with_a_transfer_is_found_once_it_is_over() -> None:
    table = disturb(quiet(HOME, 80), HOME, LINE, slice(30, 60), delay_s=0.120)
    filled = slice(30, 32)
    (verdict,) = judge(HOME, SESSIONS, table, [*counters(table, filled), *told(301, 314)])
    assert verdict.cause is Cause.UPSTREAM_LINK
    assert at(300) <= verdict.start_ns <= at(330)


def test_only_sessions_on_its_way_or_at_its_ends_are_set_aside() -> None:
    (inside,) = moved_of(told(300, 310, other_end="attic"))
    felt = {str(s.key) for s, hit in zip(SESSIONS, felt_by(inside, SESSIONS), strict=True) if hit}
    # study - router - attic: attic to router by radio, and so the desk's radio hop is busy too
    assert "study>attic:stamp" in felt
    assert "study>harbour:stamp" in felt
    assert "desk>attic:stamp" in felt
    wired = next(moved_of([begin_reading(at_ns=0, agent="study", other_end="router", way="out", limit_s=1)]))
    felt = {str(s.key) for s, hit in zip(SESSIONS, felt_by(wired, SESSIONS), strict=True) if hit}
    assert "study>harbour:stamp" in felt
    assert "desk>attic:stamp" not in felt
    assert "attic>harbour:stamp" not in felt


def test_ticks_are_set_aside_from_its_begin_until_its_queue_has_drained() -> None:
    table = quiet(HOME, 60)
    ticks = np.flatnonzero(disturbed(table, SESSIONS, told(309, 320)).any(axis=1)).tolist()
    # It began to move at 310 s, a second after it was asked for, and drained until 322 s.
    assert ticks == [31, 32]
    assert DRAIN_NS == 2 * NS_PER_S


def test_one_that_never_told_its_end_stands_for_the_longest_it_may_take() -> None:
    (killed,) = moved_of(told(300, None))
    assert (killed.end_ns - killed.begin_ns) / 1e9 == 10.0 + STARTS_S


@pytest.mark.parametrize(
    "name", ["transfer_out_seconds", "transfer_up_seconds:x", "wan_rx_bytes", "transfer"]
)
def test_readings_of_other_things_are_no_transfers(name: str) -> None:
    reading: dict[str, Any] = {"at_ns": 0, "agent": "study", "value": 1.0}
    assert list(moved_of([Reading(name=name, **reading)])) == []
