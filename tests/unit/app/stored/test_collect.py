"""What is collected without --follow is kept within the home's limits; a wrong clock moves no span."""

import random
from pathlib import Path

import pytest

from support.homes import alder
from support.records import lifelike
from whichhop.app.stored import collect
from whichhop.app.stored.collect import Opened, Source, opened
from whichhop.model import Home, Method, SessionKey
from whichhop.model.units import NS_PER_MINUTE, minute_of
from whichhop.net.clock import SystemClock
from whichhop.store.collect import Gathered
from whichhop.store.store import Store

KEY = SessionKey(agent="desk", target="router", method=Method.ECHO)
DAY = 24 * 60


def nobody(*_: object) -> Gathered:
    return Gathered(agents=(), open_records=())


def test_each_collection_drops_what_is_too_old(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    home: Home = alder()
    monkeypatch.setattr(collect, "ask_agents", nobody)
    now = minute_of(SystemClock().utc_ns())
    old = now - (home.limits.keep_days + 2) * DAY
    path = tmp_path / "collected.db"
    with Store.make(path) as store:
        store.append_all([lifelike(random.Random(m), m, KEY, count=2) for m in (old, now - 5)])
    told: list[str] = []
    with opened(Source(home_file=tmp_path / "home.yaml", store=path), home, told.append) as found:
        kept_from = (found.store.span() or (0,))[0]
        assert now - 65 <= kept_from <= now - 5  # an hour that is over is kept as one block
    assert len(told) == 1
    assert f"{path}: the oldest {home.limits.keep_days + 1} days" in told[0]
    assert "--records" in told[0]


def test_a_store_of_old_records_alone_was_imported_and_is_left_as_it_is(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    home: Home = alder()
    monkeypatch.setattr(collect, "ask_agents", nobody)
    old = minute_of(SystemClock().utc_ns()) - (home.limits.keep_days + 2) * DAY
    path, told = tmp_path / "imported.db", list[str]()
    with Store.make(path) as store:
        store.append_all([lifelike(random.Random(m), m, KEY, count=2) for m in range(old, old + 3)])
    with opened(Source(home_file=tmp_path / "home.yaml", store=path), home, told.append) as found:
        assert found.store.span() == (old, old + 2)
    assert not told


def test_records_of_a_clock_that_was_ahead_do_not_move_the_span_judged(tmp_path: Path) -> None:
    now = 28_333_320
    with Store.make(tmp_path / "s.db") as store:
        store.append_all([lifelike(random.Random(m), m, KEY, count=2) for m in (now - 10, now + 400 * DAY)])
        opened_store = Opened(store=store, path=tmp_path / "s.db")
        start, end = opened_store.span(now * NS_PER_MINUTE, start_ns=None, end_ns=None)
    assert start == (now - 10) * NS_PER_MINUTE
    assert end == (now - 9) * NS_PER_MINUTE  # of what was measured, not of what has not come
