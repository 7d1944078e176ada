"""What is kept of past faults: over a restart, until later packets speak against it, in its time."""

import sqlite3
from collections.abc import Iterator, Sequence
from pathlib import Path
from types import SimpleNamespace
from typing import cast
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from msgspec.structs import replace

from whichhop.app.live.past_faults import PastFaults
from whichhop.compare.live import HomeState
from whichhop.compare.windows.table import TICK_NS
from whichhop.lab.standard_home import alder_home
from whichhop.model import Cause, Verdict
from whichhop.model.channel import LevelSpan, ModemNow
from whichhop.model.past_fault import PastDays, Whose
from whichhop.model.units import NS_PER_MINUTE
from whichhop.store.store import Store

UTC = ZoneInfo("UTC")
HOUR_NS = 60 * NS_PER_MINUTE
DAY_NS = 24 * HOUR_NS
MIDNIGHT = 20_000 * DAY_NS
NOON = MIDNIGHT + 12 * HOUR_NS
OLD = Verdict(
    cause=Cause.BACKHAUL,
    elements=("attic/router",),
    probability=0.97,
    start_ns=NOON - 2 * HOUR_NS,
    end_ns=NOON - HOUR_NS,
)
OPEN = replace(OLD, end_ns=None)


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with Store.open(tmp_path / "c.db") as opened:
        yield opened


def standing(start_ns: int, now_ns: int, learning_s: float = 0.0) -> HomeState:
    """Judged from start to now; only what is asked of a standing is there."""
    ticks = (now_ns - start_ns) // TICK_NS
    table = SimpleNamespace(ticks=ticks, start_ns=start_ns, step_ns=TICK_NS)
    speaks = np.ones((ticks, 2), dtype=bool)
    return cast(HomeState, SimpleNamespace(table=table, speaks=speaks, learning_s=learning_s))


def turn(
    past: PastFaults, verdicts: Sequence[Verdict], now_ns: int = NOON, start_ns: int = NOON - 6 * HOUR_NS
) -> PastDays:
    return past.turn(verdicts, standing(start_ns, now_ns), (), now_ns).days


def told(found: PastDays) -> tuple[int, int]:
    """Episodes and minutes of fault in the week."""
    return found.week.episodes, found.week.fault_min


def test_a_restart_keeps_what_was_found(tmp_path: Path) -> None:
    with Store.open(tmp_path / "c.db") as store:
        turn(PastFaults(store, UTC), [OLD])
    with Store.open(tmp_path / "c.db") as store:
        again = PastFaults(store, UTC)
        # Whatever a new run finds of its first minutes, what the old one found stays.
        today = turn(again, []).days[-1]
        assert today.episodes == {Whose.HOME: 1}
        assert today.minutes == {Whose.HOME: 60, Whose.UNHEARD: 6 * 60}
        later = turn(again, [], NOON + 48 * HOUR_NS, NOON + 47 * HOUR_NS)
        assert [d.minutes.get(Whose.HOME) for d in later.days[-3:]] == [60, None, None]


def test_the_new_run_does_not_count_twice_nor_cut_what_it_sees_the_end_of(store: Store) -> None:
    turn(PastFaults(store, UTC), [OLD])
    begins = OLD.start_ns + 20 * NS_PER_MINUTE
    seen = replace(OLD, start_ns=begins)
    again = PastFaults(store, UTC)
    for _ in range(3):
        assert told(turn(again, [seen], start_ns=begins)) == (1, 60)
    # Found anew as a whole and with another group, it takes the old one's place.
    other = replace(OLD, cause=Cause.NOT_SEPARABLE, elements=("attic/router", "desk/attic"))
    assert turn(PastFaults(store, UTC), [other]).days[-1].episodes == {Whose.OTHERS: 1}


def test_one_that_the_new_run_takes_back_stays_as_far_as_the_old_one_alone_saw_it(store: Store) -> None:
    turn(PastFaults(store, UTC), [OPEN])
    begins = NOON - HOUR_NS
    again = PastFaults(store, UTC)
    assert told(turn(again, [replace(OPEN, start_ns=begins)], NOON + HOUR_NS, begins)) == (1, 180)
    for minute in range(1, 4):
        now = NOON + HOUR_NS + minute * NS_PER_MINUTE
        assert told(turn(again, [], now, begins)) == (1, 60)


def test_a_withdrawn_one_vanishes_and_one_that_grew_old_stays(store: Store) -> None:
    past = PastFaults(store, UTC)
    assert told(turn(past, [OLD])) == (1, 60)
    assert told(turn(past, [])) == (0, 0)
    assert told(turn(PastFaults(store, UTC), [])) == (0, 0), "from the store too"
    turn(past, [OLD])
    # A day after its end the day's book forgets it; that is no withdrawal.
    late = NOON + DAY_NS
    assert told(turn(past, [], late, NOON)) == (1, 60)
    # Nor is it swallowed by one of the same place that began before its end and goes on.
    beside = replace(OPEN, elements=("attic/router", "desk/attic"), start_ns=OLD.start_ns + NS_PER_MINUTE)
    assert turn(past, [beside], late, NOON).week.episodes == 2


def test_one_that_goes_on_counts_up_to_now_and_survives_the_run_that_saw_it(store: Store) -> None:
    past = PastFaults(store, UTC)
    assert told(turn(past, [OPEN])) == (1, 120)
    # Pulled out of the wall, and back two days later: nothing of those hours is judged again.
    back = PastFaults(store, UTC)
    assert told(turn(back, [], NOON + 48 * HOUR_NS, NOON + 47 * HOUR_NS)) == (1, 120)


def test_one_that_closes_and_opens_again_is_told_as_it_is_then(store: Store) -> None:
    past = PastFaults(store, UTC)
    turn(past, [OPEN], NOON - 30 * NS_PER_MINUTE)
    assert told(turn(past, [OLD])) == (1, 60)
    assert told(turn(past, [OPEN])) == (1, 120), "later ticks say that it never ended"
    again = replace(OPEN, start_ns=NOON - 10 * NS_PER_MINUTE)
    assert told(turn(past, [OLD, again])) == (2, 70), "or that it came back"


def test_a_fault_over_midnight_is_one_of_two_days(store: Store) -> None:
    now = MIDNIGHT + 10 * NS_PER_MINUTE
    over = replace(OPEN, start_ns=MIDNIGHT - 20 * NS_PER_MINUTE)
    found = turn(PastFaults(store, UTC), [over], now, MIDNIGHT - HOUR_NS)
    assert [d.minutes.get(Whose.HOME) for d in found.days[-2:]] == [20, 10]
    assert told(found) == (1, 30)


def test_a_boxs_own_answers_are_no_fault(store: Store) -> None:
    assert told(turn(PastFaults(store, UTC), [replace(OLD, cause=Cause.RESPONDER)])) == (0, 0)


def test_what_is_only_learned_from_is_not_judged(store: Store) -> None:
    past = PastFaults(store, UTC)
    new = past.turn([], standing(NOON - HOUR_NS, NOON, learning_s=60.0), (), NOON).days
    assert new.days[-1].unheard_min == 12 * 60
    assert turn(past, [], NOON + NS_PER_MINUTE, NOON - HOUR_NS).days[-1].unheard_min == 11 * 60


def test_levels_of_a_whole_hour_are_not_replaced_by_its_rest(store: Store) -> None:
    hour = LevelSpan(start_ns=NOON - HOUR_NS, down_low_dbmv=-9.0)
    modem = ModemNow(node="modem", at_ns=NOON, standing="bad", headline="", hours=(hour,))
    past = PastFaults(store, UTC)
    past.turn([], standing(NOON - HOUR_NS, NOON), [modem], NOON)
    rest = replace(modem, hours=(replace(hour, down_low_dbmv=1.0),))
    now = hour.start_ns + DAY_NS + 30 * NS_PER_MINUTE
    (kept,) = PastFaults(store, UTC).turn([], standing(now - HOUR_NS, now), [rest], now).modems
    assert [day.down_low_dbmv for day in kept.days] == [-9.0]


def test_all_is_forgotten_after_keep_days(store: Store) -> None:
    limits = replace(alder_home().limits, keep_days=2)
    turn(PastFaults(store, UTC), [OLD])
    store.keep_within(limits, NOON // NS_PER_MINUTE)
    assert told(turn(PastFaults(store, UTC), [])) == (1, 60)
    late = NOON + 3 * DAY_NS
    store.keep_within(limits, late // NS_PER_MINUTE)
    found = turn(PastFaults(store, UTC), [], late, late - HOUR_NS)
    assert told(found) == (0, 0)
    assert found.days[-4].unheard_min == 24 * 60


def test_what_a_fast_clock_dated_goes_and_a_slow_clock_costs_nothing(store: Store) -> None:
    limits = alder_home().limits
    ahead = 400 * DAY_NS
    turn(PastFaults(store, UTC), [OLD])
    fast = replace(OLD, start_ns=OLD.start_ns + ahead, end_ns=NOON + ahead)
    turn(PastFaults(store, UTC), [fast], NOON + ahead, NOON + ahead - HOUR_NS)
    # A box without a clock of its own begins in 1970: it is that clock which is wrong.
    store.keep_within(limits, 3)
    assert store.db.number("SELECT count(*) FROM past_fault") == 2
    store.keep_within(limits, NOON // NS_PER_MINUTE)
    assert told(turn(PastFaults(store, UTC), [])) == (1, 60)
    assert store.db.number("SELECT count(*) FROM past_fault") == 1
    assert store.db.number("SELECT max(hour) FROM judged_hour") <= NOON // HOUR_NS


def test_rows_that_the_disk_changed_cost_themselves_alone(tmp_path: Path) -> None:
    path = tmp_path / "c.db"
    hour = LevelSpan(start_ns=NOON - HOUR_NS, down_low_dbmv=-9.0)
    modem = ModemNow(node="modem", at_ns=NOON, standing="bad", headline="", hours=(hour,))
    with Store.open(path) as store:
        past = PastFaults(store, UTC)
        past.turn([OLD], standing(NOON - HOUR_NS, NOON), [modem], NOON)
    with sqlite3.connect(path) as db:
        late = NOON + HOUR_NS
        for elements, end, cause in (
            (b"\xff\xfe", late, "backhaul"),
            ("attic\x1b[31m", late, "backhaul"),
            ("a", "soon", "backhaul"),
            ("b", late, "a cause of later versions"),
        ):
            db.execute("INSERT INTO past_fault VALUES (?, ?, ?, ?)", (NOON, elements, end, cause))
        db.execute("INSERT INTO judged_hour VALUES (?, 'x')", (NOON // HOUR_NS,))
        db.execute(
            "INSERT INTO level_hour VALUES (?, 'modem', 'x', 1e300, NULL, NULL, -4)", (NOON // HOUR_NS,)
        )
    with Store.open(path) as store:
        found = PastFaults(store, UTC).turn([], standing(NOON, late), [modem], late)
        assert told(found.days) == (1, 60)
        assert [day.down_low_dbmv for day in found.modems[0].days] == [-9.0]


def test_nothing_is_written_twice_in_a_minute_unless_a_fault_comes_or_goes(store: Store) -> None:
    past = PastFaults(store, UTC)
    turn(past, [])
    before = store.db.number("SELECT total_changes()")
    turn(past, [], NOON + TICK_NS)
    assert store.db.number("SELECT total_changes()") == before
    assert told(turn(past, [OPEN], NOON + 2 * TICK_NS)) == (1, 120)
