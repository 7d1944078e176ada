"""What is kept of past faults: over a restart, until later packets speak against it, no longer than wanted."""

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from typing import cast
from zoneinfo import ZoneInfo

import numpy as np

from whichhop.app.past_faults import PastFaults
from whichhop.compare.live import HomeState
from whichhop.compare.windows.table import TICK_NS
from whichhop.lab.standard_home import alder_home
from whichhop.model import Cause, Verdict
from whichhop.model.modem_now import LevelHour, ModemNow
from whichhop.model.past_fault import PastDays
from whichhop.model.units import NS_PER_MINUTE
from whichhop.store.store import Store

UTC = ZoneInfo("UTC")
HOUR_NS = 60 * NS_PER_MINUTE
MIDNIGHT = 20_000 * 24 * HOUR_NS
NOON = MIDNIGHT + 12 * HOUR_NS
OLD = Verdict(
    cause=Cause.BACKHAUL,
    elements=("attic/router",),
    probability=0.97,
    start_ns=NOON - 2 * HOUR_NS,
    end_ns=NOON - HOUR_NS,
)


def standing(start_ns: int, now_ns: int) -> HomeState:
    """Judged from start to now; only what is asked of a standing is there."""
    ticks = (now_ns - start_ns) // TICK_NS
    table = SimpleNamespace(ticks=ticks, start_ns=start_ns, step_ns=TICK_NS)
    return cast(HomeState, SimpleNamespace(table=table, speaks=np.ones((ticks, 2), dtype=bool)))


def turn(
    past: PastFaults, verdicts: Sequence[Verdict], now_ns: int = NOON, start_ns: int = NOON - 6 * HOUR_NS
) -> PastDays:
    return past.turn(verdicts, standing(start_ns, now_ns), (), now_ns)


def test_a_restart_keeps_what_was_found(tmp_path: Path) -> None:
    with Store.open(tmp_path / "c.db") as store:
        turn(PastFaults(store, UTC), [OLD])
    with Store.open(tmp_path / "c.db") as store:
        again = PastFaults(store, UTC)
        # Whatever a new run finds of its first minutes, what the old one found stays.
        today = turn(again, []).days[-1]
        assert (today.home_episodes, today.home_min, today.not_judged_min) == (1, 60, 6 * 60)
        later = turn(again, [], NOON + 48 * HOUR_NS, NOON + 47 * HOUR_NS)
        assert [d.home_min for d in later.days[-3:]] == [60, 0, 0]


def test_the_new_run_does_not_count_twice_nor_cut_what_it_sees_the_end_of(tmp_path: Path) -> None:
    with Store.open(tmp_path / "c.db") as store:
        turn(PastFaults(store, UTC), [OLD])
        begins = OLD.start_ns + 20 * NS_PER_MINUTE
        seen = replace(OLD, start_ns=begins)
        again = PastFaults(store, UTC)
        for _ in range(3):
            found = turn(again, [seen], start_ns=begins)
            assert (found.week.episodes, found.week.fault_min) == (1, 60)
        # Found anew as a whole and with another group, it takes the old one's place.
        other = replace(OLD, cause=Cause.NOT_SEPARABLE, elements=("attic/router", "desk/attic"))
        today = turn(PastFaults(store, UTC), [other]).days[-1]
        assert (today.home_episodes, today.others_episodes) == (0, 1)


def test_a_withdrawn_one_vanishes_and_one_that_grew_old_stays(tmp_path: Path) -> None:
    with Store.open(tmp_path / "c.db") as store:
        past = PastFaults(store, UTC)
        assert turn(past, [OLD]).week.episodes == 1
        assert turn(past, []).week.episodes == 0
        assert turn(PastFaults(store, UTC), []).week.episodes == 0, "from the store too"
        turn(past, [OLD])
        # A day after its end the day's book forgets it; that is no withdrawal.
        assert turn(past, [], NOON + 24 * HOUR_NS, NOON + 20 * HOUR_NS).week.episodes == 1


def test_one_that_goes_on_counts_up_to_now_and_is_kept_at_its_end(tmp_path: Path) -> None:
    with Store.open(tmp_path / "c.db") as store:
        past = PastFaults(store, UTC)
        assert turn(past, [replace(OLD, end_ns=None)]).week.fault_min == 120
        assert turn(PastFaults(store, UTC), []).week.episodes == 0, "it may change yet"
        assert turn(past, [OLD]).week.fault_min == 60


def test_a_boxs_own_answers_are_no_fault(tmp_path: Path) -> None:
    with Store.open(tmp_path / "c.db") as store:
        past = PastFaults(store, UTC)
        assert turn(past, [replace(OLD, cause=Cause.RESPONDER)]).week.episodes == 0


def test_levels_of_a_whole_hour_are_not_replaced_by_its_rest(tmp_path: Path) -> None:
    hour = LevelHour(start_ns=NOON - HOUR_NS, down_low_dbmv=-9.0)
    modem = ModemNow(node="modem", at_ns=NOON, standing="bad", headline="", hours=(hour,))
    with Store.open(tmp_path / "c.db") as store:
        past = PastFaults(store, UTC)
        past.turn([], standing(NOON - HOUR_NS, NOON), [modem], NOON)
        rest = replace(modem, hours=(replace(hour, down_low_dbmv=1.0),))
        now = hour.start_ns + 24 * HOUR_NS + 30 * NS_PER_MINUTE
        past.turn([], standing(now - HOUR_NS, now), [rest], now)
        assert turn(PastFaults(store, UTC), [], now, now - HOUR_NS).days[-2].down_low_dbmv == -9.0


def test_all_is_forgotten_after_keep_days(tmp_path: Path) -> None:
    limits = replace(alder_home().limits, keep_days=2)
    with Store.open(tmp_path / "c.db") as store:
        turn(PastFaults(store, UTC), [OLD])
        store.keep_within(limits, NOON // NS_PER_MINUTE)
        assert turn(PastFaults(store, UTC), []).week.episodes == 1
        late = NOON + 3 * 24 * HOUR_NS
        store.keep_within(limits, late // NS_PER_MINUTE)
        found = turn(PastFaults(store, UTC), [], late, late - HOUR_NS)
        assert found.week.episodes == 0
        assert found.days[-4].not_judged_min == 24 * 60
