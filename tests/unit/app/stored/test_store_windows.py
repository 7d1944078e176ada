"""Windows cut from the packed columns are those cut from the records one by one."""

import random
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from support.homes import alder
from support.record_windows import table_of
from support.records import lifelike
from whichhop.app.stored.store_windows import windows_of_store
from whichhop.compare.windows.table import COUNTS, QUANTILES, TICK_NS, WindowTable
from whichhop.model import Record, derive_sessions
from whichhop.model.units import NS_PER_MINUTE
from whichhop.store.store import Store

HOME = alder()
KEYS = [s.key for s in derive_sessions(HOME)][:4]
FIRST = 29_000_000


def records(minutes: range) -> list[Record]:
    rng = random.Random(4)
    return [lifelike(rng, FIRST + m, key, loss=0.05) for m in minutes for key in KEYS]


def _windows(path: Path, *about: Any, **more: Any) -> WindowTable | None:
    with Store.open(path, read_only=True) as store:
        return windows_of_store(store, *about, **more)


@pytest.mark.parametrize("processes", [1, 2])
def test_the_fast_way_gives_the_windows_that_the_records_give(tmp_path: Path, processes: int) -> None:
    everything = records(range(100))
    path = tmp_path / "s.db"
    with Store.open(path) as store:
        store.append_all(everything)
        store.pack_hours(FIRST + 90)
    begin, end = FIRST * NS_PER_MINUTE, (FIRST + 100) * NS_PER_MINUTE
    found = _windows(path, HOME, start_ns=begin, end_ns=end, processes=processes)
    assert found is not None
    truth = table_of(everything).picked(found.sessions)
    assert set(found.sessions) == set(KEYS)
    assert found.start_ns == begin
    for name in COUNTS:
        assert np.array_equal(getattr(found, name), getattr(truth, name)), name
    for name in QUANTILES:
        np.testing.assert_allclose(getattr(found, name), getattr(truth, name), rtol=1e-6)
    assert found.stamps == {key: frozenset(r.stamps for r in everything if r.session == key) for key in KEYS}


def test_open_minutes_join_what_is_stored_and_the_span_is_kept_to(tmp_path: Path) -> None:
    everything = records(range(10))
    path = tmp_path / "s.db"
    with Store.open(path) as store:
        store.append_all(r for r in everything if r.minute < FIRST + 8)
    loose = [r for r in everything if r.minute >= FIRST + 8]
    begin, end = (FIRST + 3) * NS_PER_MINUTE, (FIRST + 9) * NS_PER_MINUTE + TICK_NS
    found = _windows(path, HOME, start_ns=begin, end_ns=end, extra=loose)
    assert found is not None
    truth = table_of(everything, start_ns=begin, end_ns=end).picked(found.sessions)
    assert (found.start_ns, found.ticks) == (begin, 37)
    assert np.array_equal(found.sent, truth.sent)


def test_windows_begin_with_the_first_minute_measured(tmp_path: Path) -> None:
    path = tmp_path / "s.db"
    with Store.open(path) as store:
        store.append_all(records(range(10)))
        store.pack_hours(FIRST + 1000)
    found = _windows(path, HOME, start_ns=0, end_ns=(FIRST + 10) * NS_PER_MINUTE)
    assert found is not None
    assert found.start_ns == FIRST * NS_PER_MINUTE


def test_a_span_with_nothing_in_it_gives_nothing(tmp_path: Path) -> None:
    path = tmp_path / "s.db"
    with Store.open(path) as store:
        assert windows_of_store(store, HOME, start_ns=0, end_ns=2**60) is None
        store.append_all(records(range(2)))
    late = (FIRST + 50) * NS_PER_MINUTE
    assert _windows(path, HOME, start_ns=late, end_ns=late + NS_PER_MINUTE) is None
    assert _windows(path, HOME, start_ns=0, end_ns=NS_PER_MINUTE) is None
